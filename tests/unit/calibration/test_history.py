"""A calibration beside the one before it."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from hungweights import COUNTS_PER_NM, ZERO_COUNTS, Nature, arm, calibration, ladder, load_steps, masses
from workshop import fixed_id, workshop

from anviltrace.calibration.choose import Candidate
from anviltrace.calibration.course import SECOND_ARM
from anviltrace.calibration.history import Change, change_since_previous, is_latest, of_this_kind
from anviltrace.calibration.ladder import Load
from anviltrace.calibration.procedure import outline_of
from anviltrace.records import Arm, Mass

HUNG = masses()


def made(
    number: int,
    gain: float = 1.0,
    lever: Arm | None = None,
    hung: tuple[Mass, ...] = HUNG,
    nature: Nature | None = None,
    noise: np.random.Generator | None = None,
) -> Candidate:
    """Calibration ``number``, made that day of May, of a transducer ``gain`` times as sensitive."""
    lever = lever or arm()
    record = calibration(id=fixed_id(400 + number), taken_at=f"2026-05-{number:02d}T09:00:00.000Z")
    scatter = (lambda: 0.0) if noise is None else (lambda: float(noise.normal(0.0, 40.0)))
    steps = load_steps(
        ladder(hung),
        nature or Nature.as_stated(hung, lever, record),
        lambda torque_nm: ZERO_COUNTS + gain * COUNTS_PER_NM * torque_nm + scatter(),
    )
    kept = tuple(replace(step, calibration_id=record.id) for step in steps)
    return Candidate(record, fixed_id(1), workshop().settings, kept, {m.id: m for m in hung}, lever)


def change(now: Candidate, *others: Candidate) -> Change:
    found = change_since_previous([now, *others], now)
    assert found is not None
    return found


def test_the_earlier_line_would_read_too_high_by_the_change() -> None:
    random = np.random.default_rng(1)
    found = change(made(2, gain=1.01, noise=random), made(1, noise=random))
    assert found.change == pytest.approx(0.01, abs=5e-4)
    assert found.earlier_id == fixed_id(401)
    assert not found.agrees
    assert found.en == pytest.approx(found.change / found.expanded)
    earlier = made(1).fit().line
    reading_nm = earlier.torque_nm(1.01 * COUNTS_PER_NM * 100.0)
    assert reading_nm == pytest.approx(100.0 * (1.0 + found.change), abs=0.05)


def test_a_second_arms_series_finds_nothing_as_it_was_left() -> None:
    first, second = made(1), made(2)
    outline = outline_of([Load(hung) for hung in ladder(HUNG)], SECOND_ARM, side_of=first.calibration.id)
    side = replace(second, calibration=replace(second.calibration, course=outline.text))
    assert change_since_previous([first, side], side) is None


def test_the_newest_before_it_counts() -> None:
    first, second, third = made(1), made(2, gain=1.02), made(3, gain=1.02)
    assert change(third, second, first).earlier_id == second.calibration.id
    assert change(third, first, second).change == pytest.approx(0.0, abs=1e-9)
    assert change_since_previous([third, second, first], first) is None


def test_other_kinds_and_broken_ones_do_not_count() -> None:
    now, before = made(3), made(1)
    others = [
        replace(made(2), rig_id=fixed_id(99)),
        replace(made(2), settings=replace(before.settings, gain=1)),
        replace(made(2), calibration=replace(made(2).calibration, sign=-1)),
        replace(made(2), steps=made(2).steps[:-1]),
    ]
    assert of_this_kind([now, before, *others], now) == [before, others[-1]]
    assert change(now, before, *others).earlier_id == before.calibration.id


def test_the_latest_that_gives_a_line_is_in_use() -> None:
    first, second = made(1), made(2)
    broken = replace(made(3), steps=made(3).steps[:-1])
    assert is_latest([first, second, broken], second)
    assert not is_latest([first, second, broken], first)


def test_what_both_share_is_left_out() -> None:
    """The same arm and weights: their errors cancel. A new arm: they are in the difference."""
    random = np.random.default_rng(2)
    wide = arm(u_m=0.004)
    other = replace(wide, id=fixed_id(31))
    same = change(made(2, lever=wide, noise=random), made(1, lever=wide, noise=random))
    apart = change(made(2, lever=other, noise=random), made(1, lever=wide, noise=random))
    assert "arm length" in same.in_common
    assert "mass of plate A" in same.in_common
    assert "arm length" not in apart.in_common
    assert same.expanded < 0.001
    assert apart.expanded == pytest.approx(1.96 * math.sqrt(2.0) * 0.004 / 0.8, rel=0.05)


@pytest.mark.parametrize("same_arm", [True, False])
def test_a_steady_rig_agrees_about_as_often_as_stated(same_arm: bool) -> None:
    """Truth drawn from what is stated; the arm and weights once where both calibrations use them."""
    random = np.random.default_rng(3)
    lever = arm(u_m=0.002)
    second = lever if same_arm else replace(lever, id=fixed_id(31))
    agreed = []
    for _ in range(100):
        truth = Nature.drawn(HUNG, lever, calibration(), random)
        length_m = truth.length_m if same_arm else float(random.normal(0.8, 0.002))
        now = made(2, lever=second, nature=replace(truth, length_m=length_m), noise=random)
        agreed.append(change(now, made(1, lever=lever, nature=truth, noise=random)).agrees)
    assert 0.92 <= float(np.mean(agreed)) <= 1.0
