"""A day's exposure of a hand to vibration, from the tasks of the day: Directive 2002/44/EC, ISO 5349-1.

A task may be measured in several runs. Its vibration is then the root of the mean of their squares, weighted
with the time each run lasted: a_hv = √(Σ a_hv,j²·t_j / Σ t_j) (ISO 5349-2, average over several samples of
one operation, from memory; ISO 5349-1 says the same of a task made of parts).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from anviltrace.errors import AnalysisError
from anviltrace.metrics.results import Numbers, RunResult, Value
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
    which all tasks measured with the same sensors share. ``dof`` are the degrees of freedom of the rest.

    ``flags`` are those of the measurement, ``runs`` the a_hv of each run that stands for the task.
    """

    name: str
    a_hv: float
    u: float
    common: float
    minutes: float
    flags: tuple[str, ...] = ()
    dof: float = math.inf
    runs: tuple[float, ...] = ()

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


def task_of(results: Sequence[RunResult], minutes: float) -> Task:
    """The task that one or several runs stand for, so many minutes a day.

    The scatter of several runs is in its uncertainty; of one alone it is not known.

    Raises:
        AnalysisError: a run has no vibration total value, or is named twice.
    """
    ids = [result.context.run.id for result in results]
    if len(set(ids)) < len(ids):
        raise AnalysisError("a task names the same run twice: name each of its runs once")
    values = [_total_of(result) for result in results]
    a = np.array([value.value for value in values], dtype=np.float64)
    share = _shares(results)
    mean = math.sqrt(float(share @ a**2))
    slopes = share * a / mean
    common = float(slopes @ [value.common for value in values])
    own = [
        Part("run", slope * math.sqrt(max(0.0, value.standard**2 - value.common**2)))
        for slope, value in zip(slopes.tolist(), values, strict=True)
    ]
    apart = combine([*own, *_scatter(a, share)])
    flags = tuple(dict.fromkeys(flag for value in values for flag in value.flags))
    u = math.hypot(apart.standard, common)
    return Task(_name(results), mean, u, common, minutes, flags, apart.dof, tuple(a.tolist()))


def _total_of(result: RunResult) -> Value:
    found = result.value("vibration_total")
    if found is None or found.value is None:
        reason = "no handle acceleration was recorded" if found is None else found.withheld
        raise AnalysisError(
            f"run {result.context.run.id[:8]} has no vibration total value: {reason}; "
            "`anviltrace import-side` takes it in"
        )
    return found


def _shares(results: Sequence[RunResult]) -> Numbers:
    """Share of each run in the time of all; the same for all where one does not say how long it struck."""
    lasts_s = np.array([_lasts_s(result) for result in results])
    if not np.all(lasts_s > 0.0):
        lasts_s = np.ones(len(results))
    return np.asarray(lasts_s / lasts_s.sum())


def _lasts_s(result: RunResult) -> float:
    """Length of the drive window in seconds; 0 where single blows were not seen."""
    if result.blows is None or not len(result.blows):
        return 0.0
    plan, last_s = result.context.plan, float(result.blows.start_s[-1])
    return last_s if plan is None else min(last_s, plan.drive_s)


def _scatter(a: Numbers, share: Numbers) -> list[Part]:
    """How far the mean of several runs may be off by their scatter: its weighted standard deviation."""
    if len(a) < 2:
        return []
    squares = float(share @ share)
    variance = float(share @ (a - share @ a) ** 2) / (1.0 - squares)
    return [Part("scatter of the runs", math.sqrt(variance * squares), len(a) - 1)]


def _name(results: Sequence[RunResult]) -> str:
    ids = [result.context.run.id[:8] for result in results]
    tools = dict.fromkeys(result.context.tool.name for result in results if result.context.tool is not None)
    return ", ".join([f"run{'s' if len(ids) > 1 else ''} {' '.join(ids)}", *tools])


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
    own: dict[str, Part] = {}
    for slope, task in pairs:  # a measurement that stands for two tasks is off the same way in both
        before = own.get(task.name, Part(task.name, 0.0)).u
        apart = slope * math.sqrt(max(0.0, task.u**2 - task.common**2))
        own[task.name] = Part(task.name, before + apart, task.dof)
    shared = Part("sensors", sum(slope * task.common for slope, task in pairs), common=True)
    total = combine([*own.values(), shared])
    return Exposure(tuple(tasks), a8, total.expanded, sum(task.points for task in tasks))
