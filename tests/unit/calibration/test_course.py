"""Courses: which readings there are, which are missing, and what is stored of that."""

from __future__ import annotations

from collections import Counter

import pytest
from workshop import fixed_id

from anviltrace.calibration.course import (
    FULL,
    SECOND_ARM,
    SHORT,
    Outline,
    next_place,
    open_series,
    plan_series,
    read_outline,
    why_unfinished,
)
from anviltrace.records import LoadStep

LOADS = (("h",), ("h", "a"), ("h", "a", "b"))


def outline(name: str = FULL, mountings: int = 3) -> Outline:
    return Outline(name, LOADS, (None, 0.3, None), mountings)


def steps(course: Outline) -> list[LoadStep]:
    """Every reading of a course in its order."""
    places = [(series, place) for series in course.series for place in series.places]
    return [
        LoadStep(fixed_id(number), fixed_id(0), number, series.number, series.mounting, place.branch,
                 fixed_id(200 + number), () if place.load is None else LOADS[place.load], 0.0, 1.0, 1.0, 0.0,
                 100, "2026-05-04T09:00:00.000Z")
        for number, (series, place) in enumerate(places, 1)
    ]  # fmt: skip


def branches(name: str, mountings: int = 1) -> list[tuple[int, str]]:
    """Mounting and branches of each series, in short."""
    return [
        (series.mounting, "".join(place.branch[0] for place in series.places))
        for series in plan_series(name, 3, mountings)
    ]


def test_short() -> None:
    assert branches(SHORT) == [(1, "zuuuddz")]


def test_full_has_two_rising_series_then_both_ways_in_each_further_mounting() -> None:
    assert branches(FULL, 3) == [(1, "zuuuz"), (1, "zuuuz"), (2, "zuuuddz"), (3, "zuuuddz")]
    assert [one.opens_mounting for one in plan_series(FULL, 3, 3)] == [True, False, True, True]
    assert [one.number for one in plan_series(FULL, 3, 3)] == [1, 2, 3, 4]


def test_full_in_one_mounting_falls_as_well() -> None:
    assert branches(FULL, 1) == [(1, "zuuuz"), (1, "zuuuddz")]


def test_the_second_arm_only_rises() -> None:
    assert branches(SECOND_ARM) == [(1, "zuuuz")]


def test_the_outline_comes_back_from_its_text() -> None:
    made = Outline(SECOND_ARM, LOADS, (None, 0.3, -1.0), 1, fixed_id(7))
    assert read_outline(made.text) == made
    assert read_outline("") is None


@pytest.mark.parametrize("name", [SHORT, FULL, SECOND_ARM])
def test_the_next_place_after_every_reading(name: str) -> None:
    course = outline(name)
    all_steps = steps(course)
    flat = [(series.number, index) for series in course.series for index in range(len(series.places))]
    for count, expected in enumerate(flat):
        found = open_series(course, all_steps[:count])
        assert found is not None
        assert (found[0].number, found[1]) == expected
    assert open_series(course, all_steps) is None


def test_a_reading_discarded_afterwards_does_not_open_its_series_again() -> None:
    course = outline(SHORT)
    kept = [step for step in steps(course) if step.number != 3]
    assert next_place(course, course.series[0], kept) == 7
    assert why_unfinished(course, kept, fixed_id(0)) == ""


def test_what_is_missing_in_words() -> None:
    course = outline()
    said = why_unfinished(course, steps(course)[:7], fixed_id(0))
    assert said == (
        "unfinished: series 2 of 4 (mounting 1 of 3) lacks 3 of its 5 readings and the series after it are "
        f"missing; go on with: anviltrace calibration record --resume {fixed_id(0)[:8]}"
    )
    assert why_unfinished(None, [], fixed_id(0)) == ""


def test_a_full_course_that_stopped_after_a_whole_series_is_unfinished() -> None:
    course = outline()
    first = steps(course)[:5]
    assert Counter(step.branch for step in first) == {"zero": 2, "up": 3}
    assert "series 2 of 4" in why_unfinished(course, first, fixed_id(0))
