"""Plans: how a run is to be carried out, written by the tester in TOML.

::

    name = "fishplate, tightening"
    rotation = "cw"         # cw or ccw, seen from behind the tool
    thread = "right"        # right, left or none
    duty = "tightening"     # tightening, loosening or locked
    start = "slack"         # slack or preset
    drive_s = 5.0           # how long the trigger is held, from the first blow
    before_s = 1.0          # recorded before "drive now", at least 1
    after_s = 1.0           # recorded after the release, at least 1; 11 shows relaxation
    repeats = 3
    rest_s = 30.0           # between repeats
    marks_s = [0.5, 1, 2]   # torque is reported at these times
    thresholds_nm = [150]   # and the times until the joint keeps these torques (held rigs)
"""

from __future__ import annotations

import dataclasses
import math
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated

from anviltrace.errors import PlanError
from anviltrace.records import Duty, Plan, Rotation, Start, Thread, described_id
from anviltrace.tables import Limits, read_table, read_toml


@dataclass(frozen=True, slots=True, kw_only=True)
class _PlanTable:
    """The keys of a plan file and their limits."""

    name: str
    rotation: Rotation
    thread: Thread
    duty: Duty
    start: Start
    drive_s: Annotated[float, Limits(0.1, 3600.0)]
    before_s: Annotated[float, Limits(1.0, 60.0)] = 1.0
    after_s: Annotated[float, Limits(1.0, 600.0)] = 1.0
    onset_limit_s: Annotated[float, Limits(1.0, 600.0)] = 20.0
    repeats: Annotated[int, Limits(1, 1000)] = 1
    rest_s: Annotated[float, Limits(0.0, 86_400.0)] = 0.0
    zero_s: Annotated[float, Limits(0.5, 60.0)] = 1.0
    marks_s: list = dataclasses.field(default_factory=list)  # type: ignore[type-arg]
    rate_hz: Annotated[float | None, Limits(1.0, 100_000.0)] = None
    gain: Annotated[int | None, Limits(1, 1024)] = None
    thresholds_nm: list = dataclasses.field(default_factory=list)  # type: ignore[type-arg]


def read_plan(path: Path) -> Plan:
    """The plan in a TOML file; the same text has the same id.

    Raises PlanError naming file, key, value and limit.
    """
    tables, text = read_toml(path)
    table = read_table(_PlanTable, tables, str(path), "")
    values = {field.name: getattr(table, field.name) for field in dataclasses.fields(table)}
    values["marks_s"] = _marks(table.marks_s, table.drive_s, str(path))
    values["thresholds_nm"] = _thresholds(table.thresholds_nm, str(path))
    plan = Plan(id=described_id("Plan", text), text=text, **values)
    _check_duty(plan, str(path))
    return plan


def settings_wanted(
    plan_file: Path | None, rate_hz: float | None, gain: int | None
) -> tuple[float | None, int | None]:
    """Rate and gain as they are given, else those of the plan, if there is one; None leaves it to the board.

    Raises what :func:`read_plan` does.
    """
    if plan_file is None:
        return rate_hz, gain
    plan = read_plan(plan_file)
    return rate_hz or plan.rate_hz, gain or plan.gain


def _marks(marks: list[object], drive_s: float, file: str) -> tuple[float, ...]:
    for mark in marks:
        if isinstance(mark, bool) or not isinstance(mark, int | float) or not math.isfinite(mark):
            raise PlanError(f"{file}: marks_s holds {mark!r}; give seconds after the first blow")
        if not 0 < mark <= drive_s:
            raise PlanError(
                f"{file}: marks_s holds {mark:g} s, outside the drive time of {drive_s:g} s; "
                "lengthen drive_s or drop the mark"
            )
    return _rising("marks_s", marks, file)


def _thresholds(levels: list[object], file: str) -> tuple[float, ...]:
    for level in levels:
        if isinstance(level, bool) or not isinstance(level, int | float) or not 0 < level < math.inf:
            raise PlanError(f"{file}: thresholds_nm holds {level!r}; give torques above 0 in N·m")
    return _rising("thresholds_nm", levels, file)


def _rising(key: str, numbers: list[object], file: str) -> tuple[float, ...]:
    values = tuple(float(number) for number in numbers if isinstance(number, int | float))
    if list(values) != sorted(set(values)):
        raise PlanError(f"{file}: plan.{key} = {numbers} is not in rising order; sort it, each one once")
    return values


def _check_duty(plan: Plan, file: str) -> None:
    """Direction, thread and duty must make sense together."""
    if plan.duty is Duty.LOCKED or plan.thread is Thread.NONE:
        return
    closes = Rotation.CCW if plan.thread is Thread.LEFT else Rotation.CW
    if (plan.rotation is closes) != (plan.duty is Duty.TIGHTENING):
        raise PlanError(
            f"{file}: plan.rotation = {plan.rotation.value!r} on a {plan.thread.value}-hand thread is not "
            f"{plan.duty.value}; correct rotation, thread or duty"
        )
    if plan.duty is Duty.LOOSENING and plan.start is Start.SLACK:
        raise PlanError(f"{file}: plan.start = 'slack' leaves nothing to loosen; set start = 'preset'")
