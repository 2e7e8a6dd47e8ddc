"""Loads share their errors: arm, gravity, air and the weights that hang again."""

from __future__ import annotations

import pytest
from GTC import get_correlation
from hungweights import arm, masses

from anviltrace.calibration.inventory import Site
from anviltrace.calibration.lever import Lever, angle_moments
from anviltrace.records import Spread

HANGER, A, B, C, D = masses()
SITE = Site(9.81, 9.81 * 50e-6, "GRS80")


def test_what_is_shared_is_fully_correlated() -> None:
    lever = Lever(arm(u_m=0.001), SITE)
    one, two = lever.torque_nm([A], 0.0), lever.torque_nm([A], 0.0)
    assert get_correlation(one, two) == pytest.approx(1.0, abs=1e-12)
    assert (two - one).u == 0.0


def test_another_weight_shares_the_arm_only() -> None:
    exact_arm, long_arm = Lever(arm(u_m=0.0), Site(9.81, 0.0, "", 1.2, 0.0)), Lever(arm(u_m=0.001), SITE)
    assert get_correlation(exact_arm.torque_nm([A], 0.0), exact_arm.torque_nm([B], 0.0)) == 0.0
    shared = get_correlation(long_arm.torque_nm([A], 0.0), long_arm.torque_nm([B], 0.0))
    assert shared == pytest.approx(0.00125**2 / (0.00125**2 + 0.0008**2), rel=0.01)


def test_loads_add_up() -> None:
    lever = Lever(arm(), SITE)
    together = lever.torque_nm([HANGER, A], 0.0)
    assert together.x == pytest.approx(lever.torque_nm([HANGER], 0.0).x + lever.torque_nm([A], 0.0).x)
    assert lever.torque_nm([], 0.0) == 0.0


def test_a_rectangle_counts_by_its_standard_uncertainty() -> None:
    for spread in Spread:
        assert Lever(arm(0.001, spread), SITE).torque_nm([A], 0.0).u > 0.098


def test_angle_moments_join_where_the_formula_changes() -> None:
    below, above = angle_moments(0.00999999), angle_moments(0.01000001)
    assert below == pytest.approx(above, rel=1e-4)
    assert angle_moments(0.0) == (1.0, 0.0, 0.0)
