"""A day's exposure of a hand to vibration, from the tasks of the day: Directive 2002/44/EC, ISO 5349-1."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from anviltrace.errors import AnalysisError
from anviltrace.metrics.results import RunResult
from anviltrace.metrics.uncertainty import Part, combine
from anviltrace.trace.vibration import (
    ACTION_M_PER_S2,
    DAY_S,
    LIMIT_M_PER_S2,
    daily_exposure,
    exposure_points,
)


@dataclass(frozen=True, slots=True)
class Task:
    """So many minutes a day of one vibration: a_hv in m/s², its standard uncertainty, and the part of that
    which all tasks measured with the same sensors share. ``flags`` are those of the measurement."""

    name: str
    a_hv: float
    u: float
    common: float
    minutes: float
    flags: tuple[str, ...] = ()

    @property
    def points(self) -> float:
        """Exposure points of the task."""
        return exposure_points(self.a_hv, 60.0 * self.minutes)

    @property
    def partial(self) -> float:
        """Its own A(8) in m/s²."""
        return daily_exposure([(self.a_hv, 60.0 * self.minutes)])


@dataclass(frozen=True, slots=True)
class Exposure:
    """A day: A(8) in m/s², half width of its 95 % interval, and the exposure points of all tasks."""

    tasks: tuple[Task, ...]
    a8: float
    expanded: float
    points: float

    def against(self, value: float) -> str:
        """Where the day lies against the action or limit value, its uncertainty considered."""
        if self.a8 - self.expanded > value:
            return "above"
        if self.a8 + self.expanded < value:
            return "below"
        return "not to be told from"

    @property
    def action(self) -> str:
        """Against the exposure action value."""
        return self.against(ACTION_M_PER_S2)

    @property
    def limit(self) -> str:
        """Against the exposure limit value."""
        return self.against(LIMIT_M_PER_S2)


def task_of(result: RunResult, minutes: float) -> Task:
    """The task that a run stands for, so many minutes a day.

    Raises:
        AnalysisError: the run has no vibration total value.
    """
    run, found = result.context.run, result.value("vibration_total")
    if found is None or found.value is None:
        reason = "no handle acceleration was recorded" if found is None else found.withheld
        raise AnalysisError(
            f"run {run.id[:8]} has no vibration total value: {reason}; `anviltrace import-side` takes it in"
        )
    tool = result.context.tool
    name = f"run {run.id[:8]}" + ("" if tool is None else f", {tool.name}")
    return Task(name, found.value, found.standard, found.common, minutes, found.flags)


def day_of(tasks: Sequence[Task]) -> Exposure:
    """A(8) of a day; what the tasks' measurements share is added without squares.

    Raises:
        AnalysisError: the tasks take no time, or more than a day has.
    """
    total_min = sum(task.minutes for task in tasks)
    if not 0.0 < total_min <= 24.0 * 60.0:
        raise AnalysisError(f"the tasks take {total_min:g} minutes a day: give more than 0 and 1440 at most")
    a8 = daily_exposure((task.a_hv, 60.0 * task.minutes) for task in tasks)
    slopes = [task.a_hv * 60.0 * task.minutes / (DAY_S * a8) for task in tasks]
    pairs = list(zip(slopes, tasks, strict=True))
    own = [Part(task.name, slope * math.sqrt(max(0.0, task.u**2 - task.common**2))) for slope, task in pairs]
    shared = Part("sensors", sum(slope * task.common for slope, task in pairs), common=True)
    total = combine([*own, shared])
    return Exposure(tuple(tasks), a8, total.expanded, sum(task.points for task in tasks))
