"""Loads share their errors: arm, gravity, air and the weights that hang again."""

from __future__ import annotations

from dataclasses import replace

import pytest
from GTC import get_correlation
from hungweights import arm, masses

from anviltrace.calibration.inventory import Site
from anviltrace.calibration.lever import Lever, Weights, angle_moments
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


OWN = {"own_mass_kg": 3.0, "own_mass_u_kg": 0.03, "own_centre_m": 0.3, "own_centre_u_m": 0.005}


def test_the_empty_arm_shares_gravity_and_its_angle_with_the_weights() -> None:
    lever = Lever(replace(arm(angle_within_deg=1.0), **OWN), Site(9.81, 0.098, ""))
    own, weights = lever.own_nm(0.0), lever.torque_nm([A], 0.0)
    assert own.u > 0.1
    assert get_correlation(own, weights) > 0.3
    exact = Lever(arm(angle_within_deg=1.0), Site(9.81, 0.098, ""))
    assert exact.own_nm(0.0) is None
    assert exact.since_zero_nm([A], 2.0, 0.0).x == exact.torque_nm([A], 2.0).x


def test_what_an_arm_bears_counts_its_own_moment() -> None:
    plain, heavy = Lever(arm(), SITE), Lever(replace(arm(), **OWN), SITE)
    balanced = Lever(replace(arm(), **(OWN | {"own_centre_m": -0.3})), SITE)
    assert heavy.borne_nm([A], 0.0) - plain.borne_nm([A], 0.0) == pytest.approx(8.83, abs=0.01)
    assert balanced.borne_nm([A], 0.0) == plain.borne_nm([A], 0.0)


def test_two_arms_with_the_same_weights_differ_by_their_lengths_alone() -> None:
    weights = Weights(SITE)
    one, two = Lever(arm(0.0008), SITE, weights), Lever(replace(arm(0.0), length_m=0.5), SITE, weights)
    ratio = one.torque_nm([A, B], 0.0) / two.torque_nm([A, B], 0.0)
    assert ratio.u / ratio.x == pytest.approx(0.001, rel=1e-6)
