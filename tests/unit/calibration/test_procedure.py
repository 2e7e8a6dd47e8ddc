"""The course of a calibration: what is asked for in which order, and what is noticed on the way."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace

import pytest
from hungweights import arm, masses

from anviltrace.calibration.course import FULL, SHORT
from anviltrace.calibration.instructions import (
    Angle,
    Answer,
    AskAngle,
    Bare,
    Clear,
    Doubt,
    Failed,
    Finish,
    FitArm,
    Hang,
    Instruction,
    Keep,
    Read,
    Reading,
    Remount,
    Say,
    Unhang,
    Void,
    Wait,
    WarmUp,
    Wish,
)
from anviltrace.calibration.inventory import Site
from anviltrace.calibration.ladder import Load, Manner, Preload, one_more_each_time
from anviltrace.calibration.lever import Lever
from anviltrace.calibration.procedure import Setup, check_rating, dead_weights, outline_of, side_ladder
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


class Person:
    """Follows a course; ``wishes`` answers instructions by their class and how often it has come."""

    def __init__(self, how: Setup, reads: Callable[[Read], float] = true, **wishes: Wish) -> None:
        self.asked: list[Instruction] = []
        self._course, self._reads, self._wishes = dead_weights(how), reads, wishes

    def follow(self) -> list[Instruction]:
        answer: Answer = None
        while True:
            try:
                step = self._course.send(answer)
            except StopIteration:
                return self.asked
            self.asked.append(step)
            answer = self._answer(step)

    def _answer(self, step: Instruction) -> Answer:
        if isinstance(step, Read):
            return Reading(self._reads(step))
        kind = type(step).__name__
        times = sum(type(one).__name__ == kind for one in self.asked)
        return self._wishes.get(f"{kind}_{times}")


TWO = one_more_each_time((HANGER, A))
THREE = one_more_each_time((HANGER, A, B))


def words(asked: list[Instruction]) -> str:
    """First letters: F fit, M remount, H hang, U unhang, W wait, R read, K keep, D drop, V void, ..."""
    letters = {Remount: "M", WarmUp: "w", Bare: "b", Doubt: "?", Clear: "C", Say: "s", Finish: "."}
    return "".join(letters.get(type(step), type(step).__name__[0]) for step in asked)


def test_the_full_course() -> None:
    asked = Person(setup(TWO, name=FULL, preload=Preload(count=1))).follow()
    preload, rising, both = "HWUW", "RKHRKHRKUWRK", "RKHRKHRKURKUWRK"
    first = "wbF" + 3 * preload + 2 * rising
    assert words(asked) == first + 2 * ("M" + preload + both) + "."
    assert [step.position_deg for step in asked if isinstance(step, Remount)] == [120.0, 240.0]
    reads = [step for step in asked if isinstance(step, Read)]
    assert [step.number for step in reads] == list(range(1, 19))
    assert [step.series for step in reads] == 4 * [1] + 4 * [2] + 5 * [3] + 5 * [4]
    assert [step.mounting for step in reads] == 8 * [1] + 5 * [2] + 5 * [3]
    assert next(step.seconds for step in asked if isinstance(step, WarmUp)) == 900.0


def test_again_reads_once_more_under_the_same_load() -> None:
    asked = Person(setup(TWO), Hang_2=Wish.AGAIN).follow()
    assert words(asked) == "FRKHRKHDRKHRKURKURK."
    again = [step for step in asked if isinstance(step, Read)][1:3]
    assert again[0] == again[1]


def test_the_last_reading_may_be_repeated_too() -> None:
    assert words(Person(setup(TWO), Finish_1=Wish.AGAIN).follow()).endswith("URK.DRK.")


def test_again_needs_a_reading_just_before() -> None:
    asked = Person(setup(TWO), FitArm_1=Wish.AGAIN).follow()
    assert words(asked).startswith("FsFRK")


def test_anew_begins_with_a_zero_and_nothing_hung() -> None:
    asked = Person(setup(TWO, preload=Preload(count=1)), Unhang_2=Wish.ANEW).follow()
    assert words(asked) == "FHWUW" + "RKHRKHRKU" + "VC" + "HWUW" + "RKHRKHRKURKURK."
    assert next(step.series for step in asked if isinstance(step, Void)) == (1,)


@pytest.mark.parametrize("wish", [Wish.AGAIN, Wish.ANEW])
def test_a_wrong_weight_is_put_right_or_the_series_begins_anew(wish: Wish) -> None:
    wrong = iter([78.5])

    def reads(step: Read) -> float:
        return true(step) - (2000.0 * next(wrong, 0.0) if step.number == 4 else 0.0)

    asked = Person(setup(THREE), reads, Doubt_1=wish).follow()
    doubt = next(step for step in asked if isinstance(step, Doubt))
    assert doubt.reason.startswith("reading 4 is ")
    after = words(asked).split("?")[1]
    assert after.startswith("RKU" if wish is Wish.AGAIN else "VCRKH")


def test_a_swapped_pair_is_noticed() -> None:
    """Two loads close together, hung in the wrong order: each reading is near enough to pass alone."""
    near = replace(A, id=B.id, name="small plate", mass_kg=0.4)
    ladder = (Load((C, A)), Load((C, A, near)))

    def reads(step: Read) -> float:
        swapped = {2: ladder[1], 3: ladder[0]}.get(step.number, step.load)
        return 100.0 + 2000.0 * 7.848 * sum(mass.mass_kg for mass in swapped.masses)

    with pytest.raises(CalibrationError, match="reading 3 is out of order"):
        Person(setup(ladder), reads).follow()


def test_a_reading_that_cannot_be_taken_leaves_the_choice() -> None:
    asked: list[Instruction] = []
    course = dead_weights(setup(TWO))
    answer: Answer = None
    for _ in range(8):
        step = course.send(answer)
        asked.append(step)
        failed = isinstance(step, Read) and len(asked) < 4
        answer = Failed("samples were lost") if failed else Reading(100.0) if isinstance(step, Read) else None
        answer = Wish.ANEW if isinstance(step, Doubt) else answer
    assert words(asked) == "FR?RKHRK"


def test_a_reading_that_cannot_be_taken_ends_it_where_nobody_is_there() -> None:
    course = dead_weights(setup(TWO))
    course.send(None)
    course.send(None)
    assert isinstance(course.send(Failed("samples were lost")), Doubt)
    with pytest.raises(CalibrationError, match="samples were lost"):
        course.send(None)


def test_the_angle_is_asked_for_under_every_load_and_kept_to_what_a_level_arm_can_have() -> None:
    how = replace(setup(TWO, name=FULL), manner=Manner(ask_angle=True))
    course = dead_weights(how)
    answers = iter([15.0, 1.5])
    answer: Answer = None
    while True:
        step = course.send(answer)
        if isinstance(step, Read) and step.branch == "up":
            break
        answer = Reading(100.0) if isinstance(step, Read) else None
        if isinstance(step, AskAngle):
            answer = Angle(next(answers))
        if isinstance(step, Say):
            assert step.text.startswith("15° is beyond ±10°")
    assert step.angle_deg == 1.5
    assert step.torque_nm == pytest.approx(7.848 * math.cos(math.radians(1.5)), rel=2e-4)


def test_no_load_beyond_what_the_arm_bears() -> None:
    lever = Lever(arm(), Site(9.81, 0.0, "stated"))
    check_rating(lever, arm(), THREE, 200.0)
    check_rating(lever, arm(), THREE, None)
    with pytest.raises(CalibrationError, match=r"load 3 makes 164.8 N·m, beyond the 150 N·m"):
        check_rating(lever, arm(), THREE, 150.0)


def test_the_empty_arm_counts_in_what_it_bears_and_is_told() -> None:
    heavy = replace(arm(), own_mass_kg=5.0, own_centre_m=0.3)
    lever = Lever(heavy, Site(9.81, 0.0, "stated"))
    check_rating(lever, heavy, THREE, 180.0)
    with pytest.raises(CalibrationError, match=r"load 3 makes 179.5 N·m, its own moment included, beyond"):
        check_rating(lever, heavy, THREE, 179.0)
    told = dead_weights(replace(setup(THREE), lever=lever, arm=heavy)).send(None)
    assert isinstance(told, Say)
    assert "empty, makes 14.7 N·m, which the zero takes up; with the highest load 179.5 N·m" in told.text
    assert isinstance(dead_weights(setup(THREE)).send(None), FitArm)


def test_the_second_arm_stays_within_the_torque_of_the_first() -> None:
    site = Site(9.81, 0.0, "stated")
    short, long = replace(arm(), length_m=0.4), replace(arm(), length_m=1.6)
    first = Lever(arm(), site)
    assert len(side_ladder(first, Lever(short, site), short, THREE)) == 3
    assert len(side_ladder(first, Lever(long, site), long, THREE)) == 2
