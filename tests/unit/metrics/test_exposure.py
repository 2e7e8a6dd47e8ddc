"""A day's exposure from its tasks."""

from __future__ import annotations

import math

import pytest

from anviltrace.errors import AnalysisError
from anviltrace.metrics.exposure import Task, day_of


def task(a_hv: float, minutes: float, u: float = 0.1, common: float = 0.0) -> Task:
    return Task("one", a_hv, u, common, minutes)


def test_two_tasks_of_a_day():
    """Directive 2002/44/EC, annex: the squares of the tasks' own A(8) add; points add (HSE)."""
    day = day_of([task(5.0, 180.0), task(3.0, 240.0)])
    assert day.points == pytest.approx(150.0 + 72.0)
    assert day.a8 == pytest.approx(math.sqrt((25.0 * 3 + 9.0 * 4) / 8.0))
    assert day.a8 == pytest.approx(math.hypot(*(one.partial for one in day.tasks)))


def test_the_uncertainty_of_one_task_is_that_of_its_vibration():
    day = day_of([task(5.0, 480.0, u=0.25)])
    assert day.expanded == pytest.approx(1.96 * 0.25, rel=1e-3)


def test_what_tasks_share_is_added_without_squares():
    apart = day_of([task(5.0, 240.0), task(5.0, 240.0)])
    together = day_of([task(5.0, 240.0, common=0.1), task(5.0, 240.0, common=0.1)])
    assert together.expanded == pytest.approx(1.96 * 0.1, rel=1e-3)
    assert apart.expanded == pytest.approx(together.expanded / math.sqrt(2.0))


@pytest.mark.parametrize(
    ("a_hv", "action", "limit"),
    [
        (2.0, "below", "below"),
        (2.6, "not to be told from", "below"),
        (4.0, "above", "below"),
        (5.1, "above", "not to be told from"),
        (6.0, "above", "above"),
    ],
)
def test_a_day_lies_above_or_below_as_far_as_can_be_told(a_hv: float, action: str, limit: str):
    day = day_of([task(a_hv, 480.0)])
    assert (day.action, day.limit) == (action, limit)


@pytest.mark.parametrize("minutes", [0.0, 1441.0])
def test_a_day_has_24_hours(minutes: float):
    with pytest.raises(AnalysisError, match="minutes a day: give more than 0 and 1440 at most"):
        day_of([task(5.0, minutes)])
