"""The course of a calibration: what is asked for in which order, and what is noticed on the way."""

from __future__ import annotations

from collections.abc import Callable

import pytest
from hungweights import arm, masses

from anviltrace.calibration.course import SHORT
from anviltrace.calibration.inventory import Site
from anviltrace.calibration.ladder import Load, Preload, one_more_each_time
from anviltrace.calibration.lever import Lever
from anviltrace.calibration.procedure import (
    FitArm,
    Hang,
    Instruction,
    Keep,
    Read,
    Reading,
    Setup,
    Unhang,
    Wait,
    dead_weights,
    outline_of,
)
from anviltrace.errors import CalibrationError

HANGER, A, B, C, D = masses()
NONE = Preload(count=0)


def setup(ladder: tuple[Load, ...], sign: int = 1, preload: Preload = NONE, name: str = SHORT) -> Setup:
    lever = arm()
    return Setup(
        lever=Lever(lever, Site(9.81, 0.0, "stated")),
        arm=lever,
        sign=sign,
        ladder=ladder,
        outline=outline_of(ladder, name, 3),
        preload=preload,
    )


def follow(
    ladder: tuple[Load, ...], reads: Callable[[Read], float], sign: int = 1, preload: Preload = NONE
) -> list[Instruction]:
    """Everything that is asked for when every reading is answered by ``reads``, but what is to be kept."""
    course = dead_weights(setup(ladder, sign, preload))
    asked, answer = [], None
    while True:
        try:
            step = course.send(answer)
        except StopIteration:
            return [step for step in asked if not isinstance(step, Keep)]
        asked.append(step)
        answer = Reading(reads(step)) if isinstance(step, Read) else None


def true(step: Read) -> float:
    return 100.0 + 2000.0 * step.torque_nm


def test_up_and_down_with_a_zero_on_both_sides() -> None:
    asked = follow(one_more_each_time((HANGER, A, B)), true, sign=-1)
    assert isinstance(asked[0], FitArm)
    assert asked[0].sign == -1
    reads = [step for step in asked if isinstance(step, Read)]
    assert [step.branch for step in reads] == ["zero", "up", "up", "up", "down", "down", "zero"]
    assert [step.number for step in reads] == [1, 2, 3, 4, 5, 6, 7]
    assert {step.of for step in reads} == {7}
    moves = [(type(step).__name__, step.masses) for step in asked if isinstance(step, Hang | Unhang)]
    assert moves == [("Hang", (HANGER,)), ("Hang", (A,)), ("Hang", (B,)),
                     ("Unhang", (B,)), ("Unhang", (A,)), ("Unhang", (HANGER,))]  # fmt: skip


def test_every_load_is_told_in_kg_and_newton_metres() -> None:
    hangs = [step for step in follow(one_more_each_time((HANGER, A)), true) if isinstance(step, Hang)]
    assert [step.total_kg for step in hangs] == pytest.approx([1.0, 11.0])
    assert [step.torque_nm for step in hangs] == pytest.approx([7.848, 86.33], rel=2e-4)


def test_preload() -> None:
    asked = follow(one_more_each_time((HANGER, A)), true, preload=Preload(count=2, hold_s=12.0))
    once = [("Hang", 11.0), ("Wait", 12.0), ("Unhang", 0.0), ("Wait", 12.0)]
    told = [
        (type(step).__name__, step.seconds if isinstance(step, Wait) else step.total_kg)
        for step in asked[1:9]
        if isinstance(step, Hang | Unhang | Wait)
    ]
    assert told == once * 2
    assert isinstance(asked[9], Read)


def test_the_angle_of_a_load_beats_that_of_the_arm() -> None:
    reads = follow((Load((HANGER,)), Load((HANGER, A), angle_deg=5.0)), true)
    angles = [step.angle_deg for step in reads if isinstance(step, Read)]
    assert angles == [0.0, 0.0, 5.0, 0.0, 0.0]


@pytest.mark.parametrize("polarity", [1.0, -1.0])
@pytest.mark.parametrize("missing", [3, 4, 6])
def test_a_plate_that_was_forgotten_is_noticed_at_once(polarity: float, missing: int) -> None:
    """One plate less than asked for from some reading on."""

    def reads(step: Read) -> float:
        short = 78.4 if step.number >= missing and step.torque_nm > 80.0 else 0.0
        return 100.0 + polarity * 2000.0 * (step.torque_nm - short)

    with pytest.raises(CalibrationError, match=f"reading {missing} is .* check which weights hang"):
        follow(one_more_each_time((HANGER, A, B, C)), reads)


def test_a_weight_left_on_at_the_end_is_noticed() -> None:
    def reads(step: Read) -> float:
        return true(step) + (2000.0 * 7.8 if step.number == 5 else 0.0)

    with pytest.raises(CalibrationError, match="reading 5"):
        follow((Load((HANGER, A)), Load((HANGER, A, B))), reads)


def test_a_small_bend_passes() -> None:
    follow(one_more_each_time((HANGER, A, B, C, D)), lambda step: true(step) * (1.0 + 1e-4 * step.torque_nm))


def test_a_ladder_that_cannot_be_hung_is_refused_before_anything_moves() -> None:
    with pytest.raises(CalibrationError, match="two different loads"):
        dead_weights(setup((Load((HANGER,)),)))
