"""A check beside a calibration: reading, reference, what both share, and how often they agree."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from hungweights import COUNTS_PER_NM, ZERO_COUNTS, Nature, arm, calibration, ladder, load_steps, masses
from workshop import fixed_id, workshop

from anviltrace.calibration.check import Checked, deviation, hold_against
from anviltrace.calibration.choose import Candidate
from anviltrace.calibration.shared import difference_u, in_common, repeatable
from anviltrace.errors import CalibrationError
from anviltrace.records import Arm, CheckReading, Mass, Spread

HUNG = masses()
CHECK_MASS = Mass(fixed_id(29), "check weight", 5.0, 0.001, Spread.NORMAL)
OTHER_ARM = replace(arm(), id=fixed_id(31), name="short arm", length_m=0.5)


def candidate(nature: Nature | None = None, lever: Arm | None = None, sign: int = 1) -> Candidate:
    lever, made = lever or arm(), calibration(sign)
    steps = load_steps(ladder(HUNG), nature or Nature.as_stated(HUNG, lever, made), sign=sign)
    return Candidate(made, fixed_id(1), workshop().settings, tuple(steps), {m.id: m for m in HUNG}, lever)


def check(
    true_nm: float, lever: Arm | None = None, hung: tuple[Mass, ...] = (CHECK_MASS,), sign: int = 1
) -> Checked:
    """A check in which so much torque truly hung, read by a perfect transducer."""
    lever, made = lever or arm(), calibration(sign)
    reading = CheckReading(
        id=fixed_id(60), session_id=fixed_id(8), settings_id=fixed_id(4), arm_id=lever.id,
        mass_ids=tuple(mass.id for mass in hung), angle_deg=lever.angle_deg, sign=sign,
        taken_at="2026-05-05T09:00:00.000Z", gravity_m_per_s2=made.gravity_m_per_s2,
        gravity_u_m_per_s2=made.gravity_u_m_per_s2, gravity_source=made.gravity_source,
        air_density_kg_per_m3=1.2, air_density_u_kg_per_m3=0.03, before_run_id=fixed_id(201),
        load_run_id=fixed_id(202), after_run_id=fixed_id(203), before_counts=ZERO_COUNTS,
        load_counts=ZERO_COUNTS + COUNTS_PER_NM * sign * true_nm, after_counts=ZERO_COUNTS, sd_counts=5.0,
        samples=2000,
    )  # fmt: skip
    return Checked(reading, fixed_id(1), workshop().settings, hung, lever)


def stated_nm(lever: Arm, hung: tuple[Mass, ...] = (CHECK_MASS,)) -> float:
    return Nature.as_stated((*HUNG, *hung), lever, calibration()).torque_nm(hung)


@pytest.mark.parametrize("sign", [1, -1])
def test_a_perfect_rig_agrees_with_the_weight(sign: int) -> None:
    result = hold_against(check(stated_nm(arm()), sign=sign), candidate(sign=sign))
    assert result.reading_nm == pytest.approx(sign * 5.0 * 9.81 * 0.8 * (1.0 - 1.2 / 7850.0), rel=1e-9)
    assert result.reference_nm == pytest.approx(result.reading_nm, rel=1e-9)
    assert result.en == pytest.approx(0.0, abs=1e-6)
    assert result.agrees
    assert result.calibration_id == fixed_id(40)


def test_a_changed_sensitivity_shows() -> None:
    changed = check(1.01 * stated_nm(arm()))
    result = hold_against(changed, candidate())
    assert result.deviation == pytest.approx(0.01, rel=1e-6)
    assert deviation(changed, candidate().fit().line) == pytest.approx(0.01, rel=1e-6)
    assert not result.agrees
    assert result.en == pytest.approx(abs(result.difference_nm) / result.difference_expanded_nm)


def test_the_same_arm_says_nothing_about_the_arm() -> None:
    """With one arm for both, its length neither widens the difference nor shows in it."""
    wide, fine = arm(u_m=0.004), arm(u_m=0.0)
    same, exact = (hold_against(check(stated_nm(a), a), candidate(lever=a)) for a in (wide, fine))
    assert same.difference_expanded_nm == pytest.approx(exact.difference_expanded_nm, rel=0.02)
    assert same.reading_expanded_nm > 3.0 * exact.reading_expanded_nm
    assert same.in_common == ("arm length", "gravity")
    other = hold_against(check(stated_nm(OTHER_ARM), OTHER_ARM), candidate(lever=wide))
    assert other.in_common == ("gravity",)
    assert other.difference_expanded_nm > 3.0 * same.difference_expanded_nm


def test_a_weight_used_in_both_counts_only_where_it_differs() -> None:
    again, fresh = (replace(HUNG[1], id=mass_id) for mass_id in (HUNG[1].id, fixed_id(77)))
    shared, apart = (
        hold_against(check(stated_nm(arm(), (m,)), hung=(m,)), candidate()) for m in (again, fresh)
    )
    assert "mass of plate A" in shared.in_common
    assert "mass of plate A" not in apart.in_common
    assert shared.difference_expanded_nm < apart.difference_expanded_nm


def test_torque_of_the_other_sign_does_not_agree() -> None:
    assert not hold_against(check(-stated_nm(arm())), candidate()).agrees


def test_a_zero_that_moves_widens_the_reading() -> None:
    still = check(stated_nm(arm()))
    reading = replace(still.check, before_counts=ZERO_COUNTS - 500.0, after_counts=ZERO_COUNTS + 500.0)
    moved = replace(still, check=reading)
    quiet, result = hold_against(still, candidate()), hold_against(moved, candidate())
    assert result.zero_moved_nm == pytest.approx(0.5)
    assert result.difference_nm == pytest.approx(quiet.difference_nm, abs=1e-9)
    assert result.difference_expanded_nm > 1.9 * 0.5 / math.sqrt(12.0)


def test_outside_the_hung_loads() -> None:
    small = Mass(fixed_id(28), "small", 0.2, 0.0001, Spread.NORMAL)
    result = hold_against(check(stated_nm(arm(), (small,)), hung=(small,)), candidate())
    assert any("outside the hung loads" in sentence for sentence in result.cannot_tell)
    huge = Mass(fixed_id(28), "huge", 200.0, 0.1, Spread.NORMAL)
    with pytest.raises(CalibrationError, match="beyond"):
        hold_against(check(stated_nm(arm(), (huge,)), hung=(huge,)), candidate())


@pytest.mark.parametrize("same_arm", [True, False])
def test_a_true_rig_agrees_about_as_often_as_stated(same_arm: bool) -> None:
    """Inputs drawn from their stated distributions; what calibration and check share is drawn once.

    The residual enters as a rectangle, so the interval may hold more than 95 %.
    """
    random = np.random.default_rng(8)
    lever = arm(u_m=0.001, spread=Spread.RECTANGULAR)
    hangs = lever if same_arm else replace(OTHER_ARM, u_m=0.001, spread=Spread.RECTANGULAR)
    agreed = []
    for _ in range(150):
        truth = Nature.drawn((*HUNG, CHECK_MASS), lever, calibration(), random)
        lengths = {True: truth.length_m, False: random.normal(0.5, 0.001)}
        true_nm = replace(truth, length_m=lengths[same_arm]).torque_nm((CHECK_MASS,))
        agreed.append(hold_against(check(true_nm, hangs), candidate(truth, lever)).agrees)
    assert 0.92 <= float(np.mean(agreed)) <= 1.0


@pytest.mark.parametrize(("change", "words"), [
    ({"sign": -1}, "direction"), ({"arm_id": fixed_id(99)}, "another arm"),
    ({"mass_ids": (fixed_id(99),)}, "other weights"), ({"angle_deg": 2.0}, "angle"),
])  # fmt: skip
def test_what_does_not_belong_into_one_chart(change: dict[str, object], words: str) -> None:
    one = check(39.0)
    assert one.why_another_kind(one) == ""
    assert words in one.why_another_kind(replace(one, check=replace(one.check, **change)))  # type: ignore[arg-type]
    assert "rig" in one.why_another_kind(replace(one, rig_id=fixed_id(98)))
    assert "gain" in one.why_another_kind(replace(one, settings=replace(one.settings, gain=1)))


class TestShared:
    def test_variance_of_a_difference(self) -> None:
        """Two results of u = 5 that share an input of 3 in one and 4 in the other: 25 + 25 − 24."""
        one, other = {("arm length", "a"): 3.0}, {("arm length", "a"): 4.0}
        assert difference_u(5.0, 5.0, one, other) == pytest.approx(math.sqrt(26.0))
        assert difference_u(5.0, 5.0, one, {("arm length", "b"): 4.0}) == pytest.approx(math.sqrt(50.0))
        assert difference_u(3.0, 3.0, one, one) == 0.0

    def test_a_level_and_the_air_are_not_met_again(self) -> None:
        parts = {"arm angle": 1.0, "air density": 1.0, "scatter of the readings": 1.0, "gravity": 1.0}
        assert [name for name, _ in repeatable(parts, calibration(), HUNG, arm())] == ["gravity"]
        elsewhere = calibration(gravity_source="measured")
        here, there = (repeatable(parts, made, HUNG, arm()) for made in (calibration(), elsewhere))
        assert in_common(here, here)
        assert not in_common(here, there)


def test_few_weighings_of_the_check_weight_widen_both_intervals() -> None:
    """Known to 0.02 kg from two weighings: one degree of freedom, t = 12.7."""
    rough = replace(CHECK_MASS, u_kg=0.02)
    twice = replace(rough, dof=1.0)
    often, rarely = (
        hold_against(check(stated_nm(arm(), (mass,)), hung=(mass,)), candidate()) for mass in (rough, twice)
    )
    assert rarely.reference_expanded_nm > 5.0 * often.reference_expanded_nm
    assert rarely.difference_expanded_nm > 3.0 * often.difference_expanded_nm
    assert rarely.reading_expanded_nm == pytest.approx(often.reading_expanded_nm, rel=1e-9)
