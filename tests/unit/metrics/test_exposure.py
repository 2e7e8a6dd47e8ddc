"""A day's exposure from its tasks."""

from __future__ import annotations

import math
from dataclasses import replace
from types import SimpleNamespace
from typing import cast

import pytest
from workshop import fixed_id

from anviltrace.errors import AnalysisError
from anviltrace.metrics.exposure import Task, day_of, task_of
from anviltrace.metrics.results import RunResult


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
    apart = day_of([task(5.0, 240.0), replace(task(5.0, 240.0), name="two")])
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


def ran(a_hv: float, lasts_s: float, number: int, u: float = 0.0, common: float = 0.0) -> RunResult:
    """As much of a result as a task looks at."""
    plan = SimpleNamespace(drive_s=10.0)
    context = SimpleNamespace(run=SimpleNamespace(id=fixed_id(number)), tool=None, plan=plan)
    value = SimpleNamespace(value=a_hv, standard=math.hypot(u, common), common=common, flags=(f"{number}",))
    blows = Blows([0.0, lasts_s]) if lasts_s else None
    made = SimpleNamespace(context=context, value=lambda _: value, blows=blows)
    return cast(RunResult, made)


class Blows:
    """Starts of blows, as a result has them."""

    def __init__(self, start_s: list[float]) -> None:
        self.start_s = start_s

    def __len__(self) -> int:
        return len(self.start_s)


def test_runs_of_a_task_are_averaged_by_their_squares_and_the_time_they_lasted():
    """ISO 5349-2 (from memory): 4 m/s² for 2 s and 7 m/s² for 6 s make √((16·2 + 49·6)/8) m/s²."""
    one = task_of([ran(4.0, 2.0, 1), ran(7.0, 6.0, 2)], 30.0)
    assert one.a_hv == pytest.approx(math.sqrt((16.0 * 2.0 + 49.0 * 6.0) / 8.0))
    assert one.runs == (4.0, 7.0)
    assert one.flags == ("1", "2")
    longer = task_of([ran(4.0, 2.0, 1), ran(7.0, 60.0, 2)], 30.0)
    assert longer.a_hv == pytest.approx(math.sqrt((16.0 * 2.0 + 49.0 * 10.0) / 12.0)), "the plan's 10 s count"
    unseen = task_of([ran(4.0, 2.0, 1), ran(7.0, 0.0, 2)], 30.0)
    assert unseen.a_hv == pytest.approx(math.sqrt((16.0 + 49.0) / 2.0)), "all alike where one does not tell"


def test_the_scatter_of_runs_is_in_the_interval_and_what_they_share_does_not_shrink():
    """Four runs alike long: s/√4 with 3 degrees of freedom (t = 3.182), and the sensor's part as it is."""
    apart = task_of([ran(a, 3.0, number) for number, a in enumerate((4.9, 5.0, 5.1, 5.0))], 480.0)
    s = math.sqrt(2 * 0.01 / 3.0)
    assert apart.u == pytest.approx(s / 2.0, rel=1e-3)
    assert day_of([apart]).expanded == pytest.approx(3.182 * s / 2.0, rel=2e-3)
    shared = task_of([ran(5.0, 3.0, number, common=0.3) for number in range(4)], 480.0)
    assert (shared.u, shared.common) == (pytest.approx(0.3), pytest.approx(0.3))
    own = task_of([ran(5.0, 3.0, number, u=0.3) for number in range(4)], 480.0)
    assert own.u == pytest.approx(0.15)


def test_a_run_is_named_once_in_a_task():
    with pytest.raises(AnalysisError, match="names the same run twice"):
        task_of([ran(4.0, 2.0, 1), ran(4.0, 2.0, 1)], 30.0)


def test_one_measurement_for_two_tasks_is_off_the_same_way_in_both():
    twice = day_of([task(5.0, 240.0), task(5.0, 240.0)])
    assert twice.expanded == pytest.approx(day_of([task(5.0, 480.0)]).expanded)


@pytest.mark.parametrize("minutes", [0.0, 1441.0])
def test_a_day_has_24_hours(minutes: float):
    with pytest.raises(AnalysisError, match="minutes a day: give more than 0 and 1440 at most"):
        day_of([task(5.0, minutes)])
