"""The moment of the empty arm: computed, and as the zero changed when the arm was put on."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest
from hungweights import COUNTS_PER_NM, ZERO_COUNTS, Nature, arm, calibration, ladder, load_steps, masses
from workshop import fixed_id

from anviltrace.calibration.emptyarm import EmptyArm, look_at_empty_arm
from anviltrace.calibration.line import fit_line
from anviltrace.records import LoadStep, Zero

HUNG = masses()
BY_ID = {mass.id: mass for mass in HUNG}
HEAVY = replace(arm(), own_mass_kg=3.0, own_mass_u_kg=0.03, own_centre_m=0.3, own_centre_u_m=0.003)
OWN_NM = 3.0 * 9.81 * (1.0 - 1.2 / 8000.0) * 0.3


def read(sign: int = 1, zero_shifts: tuple[float, ...] = (0.0,)) -> list[LoadStep]:
    """A mounting for each shift of the zero, in counts."""
    nature = Nature.as_stated(HUNG, HEAVY, calibration(sign))
    found: list[LoadStep] = []
    for mounting, shift in enumerate(zero_shifts, 1):
        for step in load_steps(ladder(HUNG), nature, sign=sign):
            number = len(found) + 1
            counts = step.mean_counts + shift
            found.append(replace(step, number=number, series=mounting, mounting=mounting, mean_counts=counts))
    return found


def bare(mean_counts: float) -> Zero:
    when = "2026-05-04T08:00:00.000Z"
    return Zero(fixed_id(70), fixed_id(8), fixed_id(71), when, mean_counts, 5.0, 15_000, "bare rig")


def look(reads_nm: float | None, sign: int = 1, described: bool = True, **more: object) -> EmptyArm:
    made, steps = calibration(sign), read(sign, **more)  # type: ignore[arg-type]
    lever = HEAVY if described else arm()
    fit = fit_line(steps, made, BY_ID, lever)
    before = None if reads_nm is None else bare(ZERO_COUNTS - COUNTS_PER_NM * sign * reads_nm)
    return look_at_empty_arm(steps, made, lever, fit, before)


@pytest.mark.parametrize("sign", [1, -1])
def test_what_the_zero_says_beside_what_is_computed(sign: int) -> None:
    found = look(OWN_NM, sign)
    assert found.computed is not None
    assert found.read is not None
    assert found.computed.nm == pytest.approx(sign * OWN_NM, rel=1e-9)
    assert found.computed.expanded_nm == pytest.approx(1.96 * OWN_NM * math.hypot(0.01, 0.01), rel=1e-3)
    assert found.read.nm == pytest.approx(sign * OWN_NM, rel=1e-6)
    assert found.agrees
    assert found.not_held == ("what a new mounting does to the zero",)


def test_an_arm_that_is_not_as_described() -> None:
    found = look(OWN_NM + 1.0)
    assert found.difference is not None
    assert found.difference.nm == pytest.approx(1.0, abs=1e-4)
    assert found.agrees is False


def test_how_much_a_mounting_shifts_the_zero_is_in_the_interval() -> None:
    """Zeros of three mountings 400 counts apart each: s = 400 counts = 0.2 N·m, and t for 2 degrees."""
    found = look(OWN_NM, zero_shifts=(-400.0, 0.0, 400.0))
    assert found.read is not None
    assert found.not_held == ()
    assert found.read.expanded_nm == pytest.approx(4.303 * 0.2 * math.sqrt(4.0 / 3.0), rel=0.01)


def test_the_bare_rig_was_read_before_the_preloads() -> None:
    """Falling readings lie up to 0.1 N·m above rising ones: so may a zero that was loaded before."""
    made = calibration()
    steps = [
        replace(step, mean_counts=step.mean_counts + (200.0 if step.branch == "down" else 0.0))
        for step in read(zero_shifts=(0.0, 0.0))
    ]
    fit = fit_line(steps, made, BY_ID, HEAVY)
    found = look_at_empty_arm(steps, made, HEAVY, fit, bare(ZERO_COUNTS - COUNTS_PER_NM * OWN_NM))
    assert found.read is not None
    assert found.read.expanded_nm == pytest.approx(1.96 * 0.1 / math.sqrt(2.0), rel=0.03)
    rising = [step for step in steps if step.branch != "down"]
    one_way = look_at_empty_arm(rising, made, HEAVY, fit_line(rising, made, BY_ID, HEAVY), bare(0.0))
    assert one_way.not_held == ("what the preloads do to it",)


def test_what_is_not_known_is_not_stated() -> None:
    assert look(None).read is None
    assert look(None).agrees is None
    undescribed = look(OWN_NM, described=False)
    assert undescribed.computed is None
    assert undescribed.read is not None
    assert undescribed.agrees is None
