"""What holds of reference torques and the line through them whatever weights, arms and readings are."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import hypothesis.strategies as st
import pytest
from hungweights import Nature, arm, calibration, ladder, load_steps, masses
from hypothesis import given, settings

from anviltrace.calibration.inventory import Site
from anviltrace.calibration.lever import Lever
from anviltrace.calibration.line import Line, fit_line
from anviltrace.records import Arm, LoadStep, Mass

SITE = Site(9.81, 9.81 * 50e-6, "GRS80")
HUNG = masses()
BY_ID = {mass.id: mass for mass in HUNG}
few = settings(max_examples=25, deadline=None)
scales = st.floats(0.1, 10.0)
angles = st.floats(-10.0, 10.0)
shares = st.floats(0.0, 0.01)


@few
@given(scales, angles)
def test_in_another_unit_of_length_torque_and_uncertainty_scale_alike(scale: float, angle_deg: float) -> None:
    lever = arm(u_m=0.0005, angle_within_deg=1.0)
    scaled = replace(lever, length_m=scale * lever.length_m, u_m=scale * lever.u_m)
    one = Lever(lever, SITE).torque_nm(HUNG, angle_deg)
    other = Lever(scaled, SITE).torque_nm(HUNG, angle_deg)
    assert (other.x, other.u) == (pytest.approx(scale * one.x), pytest.approx(scale * one.u))


@few
@given(scales, angles)
def test_in_another_unit_of_mass_too(scale: float, angle_deg: float) -> None:
    scaled = [replace(mass, mass_kg=scale * mass.mass_kg, u_kg=scale * mass.u_kg) for mass in HUNG]
    one = Lever(arm(), SITE).torque_nm(HUNG, angle_deg)
    other = Lever(arm(), SITE).torque_nm(scaled, angle_deg)
    assert (other.x, other.u) == (pytest.approx(scale * one.x), pytest.approx(scale * one.u))


@few
@given(st.permutations(HUNG), angles)
def test_it_does_not_matter_which_weight_was_hung_first(order: Sequence[Mass], angle_deg: float) -> None:
    one, other = (Lever(arm(), SITE).torque_nm(hung, angle_deg) for hung in (HUNG, order))
    assert (other.x, other.u) == (pytest.approx(one.x, rel=1e-12), pytest.approx(one.u, rel=1e-9))


def read(sign: int = 1, lever: Arm | None = None) -> list[LoadStep]:
    """A series that is a little bent, so that there is scatter."""
    nature = Nature.as_stated(HUNG, lever or arm(), calibration())
    return load_steps(ladder(HUNG), nature, lambda nm: 1000.0 + 2000.0 * nm + 0.002 * nm * abs(nm), sign)


def line(steps: Sequence[LoadStep], sign: int = 1, lever: Arm | None = None) -> Line:
    return fit_line(steps, calibration(sign), BY_ID, lever or arm()).line


@few
@given(st.permutations(read()))
def test_the_order_in_which_steps_are_handed_over_changes_nothing(order: Sequence[LoadStep]) -> None:
    assert line(order) == line(read())


@few
@given(scales)
def test_a_count_of_another_size_changes_the_slope_alone(scale: float) -> None:
    scaled = [replace(step, mean_counts=scale * step.mean_counts) for step in read()]
    one, other = line(read()), line(scaled)
    assert other.counts_per_nm == pytest.approx(scale * one.counts_per_nm)
    for name in ("u_relative", "dof", "residual_nm", "departure_nm", "highest_nm", "bend_per_nm"):
        assert getattr(other, name) == pytest.approx(getattr(one, name), rel=1e-6)


def test_the_sign_of_torque_turns_nothing_else_round() -> None:
    one, other = line(read()), line(read(-1), -1)
    assert (one.sign, other.sign) == (1, -1)
    for name in (
        "counts_per_nm",
        "u_relative",
        "dof",
        "residual_nm",
        "departure_nm",
        "lowest_nm",
        "highest_nm",
    ):
        assert getattr(other, name) == pytest.approx(getattr(one, name), rel=1e-9)


@few
@given(st.integers(1, 6), shares)
def test_an_error_in_common_never_shrinks_with_the_number_of_series(series: int, share: float) -> None:
    """However often the same arm is used, its length stays as wrong as it is."""
    known, doubtful = arm(u_m=0.0), arm(u_m=0.8 * share)
    repeated = [
        replace(step, number=100 * place + step.number, series=place + 1)
        for place in range(series)
        for step in read()
    ]
    without, found = line(repeated, lever=known).u_relative, line(repeated, lever=doubtful).u_relative
    assert found >= share * (1.0 - 1e-9)
    assert found**2 == pytest.approx(without**2 + share**2, rel=1e-6, abs=1e-15)
