"""What an analysis comes to: plain values, each with its uncertainty or the reason why it is withheld."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from enum import StrEnum

import numpy as np
import numpy.typing as npt

from anviltrace.calibration.coverage import coverage_factor
from anviltrace.records import (
    Decision,
    Gap,
    Notice,
    Plan,
    Rating,
    Rig,
    Run,
    Session,
    Settings,
    SideChannel,
    Supply,
    Tool,
)

MOST_REASONS = 3
"""Reasons of a quality that are told in its line."""

WITHHELD, LOWER_BOUNDS = "withheld", "lower bounds"
"""What begins the words about peaks that have no value."""

Numbers = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Value:
    """One metric of one run, in the unit of its catalogue entry.

    ``value`` is None where the metric is withheld; ``withheld`` then says why, in words. ``expanded`` is
    the half width of the 95 % interval, ``dof`` its effective degrees of freedom. ``common`` is the standard
    uncertainty that all runs under the same calibration share, so it does not shrink when they are
    averaged. ``under_read`` and ``over_read`` are one-sided bounds outside that interval: the true value
    may be higher, or lower, by up to that much. ``at_s`` is the time mark of a metric that has one, ``at_nm``
    its torque mark. ``beyond`` is set, and ``value`` None, where the value is known only to be greater than
    that (right-censored); ``withheld`` then says what was not reached.
    """

    name: str
    value: float | None
    expanded: float | None = None
    dof: float = math.inf
    common: float = 0.0
    under_read: float = 0.0
    over_read: float = 0.0
    at_s: float | None = None
    withheld: str = ""
    flags: tuple[str, ...] = ()
    at_nm: float | None = None
    beyond: float | None = None

    @property
    def standard(self) -> float:
        """Standard uncertainty; 0 where none is stated."""
        return 0.0 if self.expanded is None else self.expanded / coverage_factor(self.dof)

    @property
    def mark(self) -> float | None:
        """The mark of a value that has one, in the unit its catalogue entry names."""
        return self.at_nm if self.at_s is None else self.at_s

    @property
    def key(self) -> tuple[str, float | None]:
        """What tells this value apart from the others of its run."""
        return self.name, self.mark


@dataclass(frozen=True, slots=True)
class BlowTable:
    """The blows of a run, one entry each; torques along the rotation in N·m, times after time zero in s."""

    start_s: Numbers
    apex_s: Numbers
    peak_nm: Numbers
    net_peak_nm: Numbers
    impulse_nms: Numbers
    level_after_nm: Numbers
    width_s: Numbers
    double: npt.NDArray[np.bool_]

    def __len__(self) -> int:
        return len(self.start_s)


@dataclass(frozen=True, slots=True)
class RunContext:
    """What a run belongs to, and what is known about how it went."""

    run: Run
    session: Session
    rig: Rig
    settings: Settings
    plan: Plan | None
    tool: Tool | None
    supply: Supply | None
    fitting_name: str = ""
    decision: Decision | None = None
    gaps: tuple[Gap, ...] = ()
    notices: tuple[Notice, ...] = ()
    ratings: tuple[Rating, ...] = ()
    sides: tuple[SideChannel, ...] = ()

    @property
    def kept(self) -> bool:
        """Whether a finished run was not discarded by a person."""
        return self.run.state == "finished" and (self.decision is None or self.decision.verdict == "keep")


class Grade(StrEnum):
    """What a run is worth; the value says it in words."""

    GOOD = "good"
    CARE = "usable with care"
    UNUSABLE = "not usable"


@dataclass(frozen=True, slots=True)
class Quality:
    """A grade, the reasons for it in short, and what to mind with peaks, widths and rises."""

    grade: Grade
    reasons: tuple[str, ...] = ()
    peaks: tuple[str, ...] = ()

    @property
    def text(self) -> str:
        """All of it in one line."""
        told = self.grade.value + (f": {_some(self.reasons)}" if self.reasons else "")
        if not self.peaks or self.grade is Grade.UNUSABLE:
            return told
        none = self.peaks[0].startswith((WITHHELD, LOWER_BOUNDS))
        return f"{told}; peaks{'' if none else ' with care'}: {_some(self.peaks)}"


def _some(reasons: Sequence[str]) -> str:
    more = len(reasons) - MOST_REASONS
    return "; ".join(reasons[:MOST_REASONS]) + (f"; and {more} more" if more > 0 else "")


@dataclass(frozen=True, slots=True)
class RunResult:
    """Everything that was computed from one run.

    ``calibration_ids`` name the calibrations used; where there is none, ``uncalibrated`` says why.
    ``time_zero_s`` counts from the first sample of the run; ``time_zero`` names what it is ("first blow",
    "onset", or "" where there is none). ``flags`` concern the whole run; its ``quality`` comes from them.
    ``doubts`` are those flags that cast doubt on the calibration.
    """

    context: RunContext
    values: tuple[Value, ...]
    blows: BlowTable | None = None
    calibration_ids: tuple[str, ...] = ()
    uncalibrated: str = ""
    time_zero_s: float | None = None
    time_zero: str = ""
    filter: str = "none"
    software_version: str = ""
    flags: tuple[str, ...] = field(default=())
    doubts: tuple[str, ...] = ()
    quality: Quality = field(default=Quality(Grade.GOOD))

    def value(self, name: str, mark: float | None = None) -> Value | None:
        """The value of this name (and mark), or None where the run has no such metric."""
        return next((value for value in self.values if value.key == (name, mark)), None)
