"""The course of a run, counted in samples: quiet, drive, release, after. Pure: it moves nothing itself."""

from __future__ import annotations

from enum import StrEnum

import numpy as np

from anviltrace.calibration.stability import Gate, Known, look_at, why_unsteady
from anviltrace.capture.onset import Baseline, Counts, OnsetFinder, baseline, floor_counts
from anviltrace.records import Plan, Settings
from anviltrace.trace.ringdown import TAP_SD


class Stage(StrEnum):
    """Where a run stands. Each is also the cue given when it begins."""

    QUIET = "quiet"
    DRIVE = "drive"
    DRIVING = "driving"
    RELEASE = "release"
    DONE = "done"


BY_PLAN = "ended by plan"

QUIET_BEFORE_TAPS_S = 1.0
"""Quiet before the first tap, for the level and the noise."""
RING_OUT_S = 0.8
"""Time each tap has to ring out before the next one is asked for."""
TAP_WITHIN_S = 30.0
"""A tap that is asked for is waited for as long."""

_LOOK_EVERY_S = 0.25
"""How often, in seconds of signal, a reading is looked at anew."""


class RunStages:
    """The stages of a measurement, from its plan and the settings of the converter.

    ``onset_index`` and ``release_index`` are sample indices once known; ``reason`` says how it ended.
    """

    def __init__(self, plan: Plan, settings: Settings) -> None:
        self._plan = plan
        self._rate_hz = settings.rate_hz
        self._floor_counts = floor_counts(settings)
        self._quiet: list[Counts] = []
        self._finder: OnsetFinder | None = None
        self._until = self._samples(plan.before_s)
        self.stage = Stage.QUIET
        self.baseline: Baseline | None = None
        self.onset_index: int | None = None
        self.release_index: int | None = None
        self.reason = BY_PLAN

    def feed(self, first_index: int, counts: Counts) -> list[Stage]:
        """Take samples in the order they come; return the stages that have begun."""
        begun = []
        end = first_index + len(counts)
        if self.stage is Stage.QUIET:
            self._quiet.append(counts)
            if end >= self._until:
                begun.append(self._drive(end))
        elif self.stage is Stage.DRIVE:
            begun += self._look_for_onset(first_index, counts, end)
        if self.stage is Stage.DRIVING and end >= self._until:
            begun.append(self._release(end))
        if self.stage is Stage.RELEASE and end >= self._until:
            begun.append(self._enter(Stage.DONE, end))
        return begun

    def seconds_left(self, index: int) -> float:
        """Time to the next stage, in seconds of signal; in ``DRIVE`` the time left to pull the trigger."""
        return max(0.0, (self._until - index) / self._rate_hz)

    @property
    def against_rotation(self) -> bool:
        """Whether the signal moved the other way than the plan's rotation when the tool set in."""
        return self._finder is not None and self._finder.against_rotation

    def _drive(self, end: int) -> Stage:
        self.baseline = baseline(np.concatenate(self._quiet), self._floor_counts)
        self._quiet = []
        self._finder = OnsetFinder(self.baseline, self._plan.rotation.sign, self._rate_hz)
        return self._enter(Stage.DRIVE, end + self._samples(self._plan.onset_limit_s))

    def _look_for_onset(self, first_index: int, counts: Counts, end: int) -> list[Stage]:
        assert self._finder is not None
        found = self._finder.feed(first_index, counts)
        if found is not None:
            self.onset_index = found
            return [self._enter(Stage.DRIVING, found + self._samples(self._plan.drive_s))]
        if end >= self._until:
            self.reason = f"no onset within {self._plan.onset_limit_s:g} s of the signal to drive"
            return [self._enter(Stage.DONE, end)]
        return []

    def _release(self, end: int) -> Stage:
        self.release_index = end
        return self._enter(Stage.RELEASE, end + self._samples(self._plan.after_s))

    def _enter(self, stage: Stage, until: int) -> Stage:
        self.stage = stage
        self._until = until
        return stage

    def _samples(self, seconds: float) -> int:
        return round(seconds * self._rate_hz)


class ZeroStages:
    """The stages of a zero reading: quiet, then done."""

    onset_index = None
    release_index = None
    baseline = None
    against_rotation = False
    reason = BY_PLAN

    def __init__(self, zero_s: float, rate_hz: float) -> None:
        self._rate_hz = rate_hz
        self._until = max(2, round(zero_s * rate_hz))
        self.stage = Stage.QUIET

    def feed(self, first_index: int, counts: Counts) -> list[Stage]:
        """Take samples in the order they come; return the stages that have begun."""
        if self.stage is Stage.DONE or first_index + len(counts) < self._until:
            return []
        self.stage = Stage.DONE
        return [Stage.DONE]

    def seconds_left(self, index: int) -> float:
        """Time to the end, in seconds of signal."""
        return max(0.0, (self._until - index) / self._rate_hz)


class StillStages(ZeroStages):
    """The stages of a recording of a rig at rest; ``reason`` says what it was for."""

    def __init__(self, still_s: float, rate_hz: float, reason: str) -> None:
        super().__init__(still_s, rate_hz)
        self.reason = reason


class ReadingStages:
    """The stages of a calibration reading: quiet until it is steady, or has taken too long, then done.

    ``why_unsteady`` says what is not steady; it is empty once the reading can be taken.
    """

    onset_index = None
    release_index = None
    baseline = None
    against_rotation = False

    def __init__(self, gate: Gate, known: Known, rate_hz: float) -> None:
        self._gate, self._known, self._rate_hz = gate, known, rate_hz
        self._samples = gate.samples(rate_hz)
        self._least = round(gate.wait_s * rate_hz) + self._samples
        self._until = max(self._least, round(gate.longest_s * rate_hz))
        self._tail = np.empty(0, np.int32)
        self._next_index = self._next_look = 0
        self.stage = Stage.QUIET
        self.reason = BY_PLAN
        self.why_unsteady = "too few samples have come"

    def feed(self, first_index: int, counts: Counts) -> list[Stage]:
        """Take samples in the order they come; return the stages that have begun.

        After a gap the window begins anew.
        """
        if self.stage is Stage.DONE:
            return []
        tail = counts if first_index != self._next_index else np.concatenate((self._tail, counts))
        self._tail = tail[-self._samples :]
        self._next_index = first_index + len(counts)
        if self._next_index < max(self._least, self._next_look):
            return []
        self._next_look = min(self._until, self._next_index + round(_LOOK_EVERY_S * self._rate_hz))
        return self._look()

    def seconds_left(self, index: int) -> float:
        """Time until the wait is given up, in seconds of signal."""
        return max(0.0, (self._until - index) / self._rate_hz)

    def _look(self) -> list[Stage]:
        if len(self._tail) == self._samples:
            self.why_unsteady = why_unsteady(look_at(self._tail), self._known, self._gate)
        if self.why_unsteady and self._next_index < self._until:
            return []
        if self.why_unsteady:
            self.reason = f"not steady within {self._gate.longest_s:g} s"
        self.stage = Stage.DONE
        return [Stage.DONE]


class TapStages:
    """The stages of a tap test: quiet, then ``count`` taps, each asked for with ``DRIVE``, then done.

    In ``RELEASE`` a tap rings out. ``quiet_end`` is the index at which the quiet stretch ended, ``taps`` how
    many were seen.
    """

    onset_index = None
    release_index = None
    against_rotation = False

    def __init__(self, count: int, settings: Settings) -> None:
        self._count, self._rate_hz = count, settings.rate_hz
        self._quiet: list[Counts] = []
        self._until = self.quiet_end = round(QUIET_BEFORE_TAPS_S * self._rate_hz)
        self.stage = Stage.QUIET
        self.baseline: Baseline | None = None
        self.taps = 0
        self.reason = BY_PLAN

    def feed(self, first_index: int, counts: Counts) -> list[Stage]:
        """Take samples in the order they come; return the stages that have begun, one for each tap."""
        end = first_index + len(counts)
        if self.stage is Stage.DONE:
            return []
        if self.baseline is None:
            self._quiet.append(counts)
            return [self._ready(end)] if end >= self._until else []
        if self.stage is Stage.DRIVE and self._departs(counts):
            self.taps += 1
            self.stage, self._until = Stage.RELEASE, end + round(RING_OUT_S * self._rate_hz)
            return [self.stage]
        return [self._next(end)] if end >= self._until else []

    def seconds_left(self, index: int) -> float:
        """Time to the next stage, or to give up waiting for a tap, in seconds of signal."""
        return max(0.0, (self._until - index) / self._rate_hz)

    def _ready(self, end: int) -> Stage:
        self.quiet_end = end
        self.baseline = baseline(np.concatenate(self._quiet), 1.0)
        self._quiet = []
        return self._ask(end)

    def _ask(self, end: int) -> Stage:
        self.stage, self._until = Stage.DRIVE, end + round(TAP_WITHIN_S * self._rate_hz)
        return self.stage

    def _departs(self, counts: Counts) -> bool:
        assert self.baseline is not None
        least_counts = TAP_SD * max(self.baseline.sd_counts, self.baseline.floor_counts)
        return bool((np.abs(counts - self.baseline.mean_counts) > least_counts).any())

    def _next(self, end: int) -> Stage:
        if self.stage is Stage.RELEASE and self.taps < self._count:
            return self._ask(end)
        if self.stage is Stage.DRIVE:
            self.reason = f"no tap came within {TAP_WITHIN_S:g} s"
        self.stage = Stage.DONE
        return self.stage


Stages = RunStages | ZeroStages | ReadingStages | TapStages
