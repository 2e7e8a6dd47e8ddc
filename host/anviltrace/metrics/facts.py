"""Everything an evaluation needs to know about one run, gathered from the archive in one go."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import TypeVar

import numpy as np
import numpy.typing as npt

from anviltrace import __version__
from anviltrace.archive.archive import Archive
from anviltrace.calibration.choose import Candidate, choose, choose_named
from anviltrace.calibration.line import Line, LineFit
from anviltrace.calibration.stated import origin_flags, stated_line
from anviltrace.capture.lines import candidates, find_calibration
from anviltrace.capture.tap import ring_down_for, ring_downs
from anviltrace.metrics.converter import boxcars_s
from anviltrace.metrics.doubtful import Doubtful
from anviltrace.metrics.results import RunContext, RunResult
from anviltrace.metrics.steps import Steps, steps_of
from anviltrace.records import (
    Board,
    Fitting,
    Origin,
    Plan,
    Rating,
    Rig,
    RingDown,
    Run,
    RunKind,
    Session,
    Settings,
    SideChannel,
    Supply,
    Tool,
    Zero,
)
from anviltrace.trace.level import LEAST_QUIET, noise_sd

Counts = npt.NDArray[np.int32]
Thing = TypeVar("Thing", Plan, Tool, Supply)

_OF_A_SET = (RunKind.MEASUREMENT, RunKind.ZERO, RunKind.IMPORT)
"""Recordings that follow one another while a tool is seated."""

STEADY_SD = 1.5
"""A zero reading whose samples scatter this many times more than their noise was not at rest."""
BLOCK_S = 0.02
"""Length of the blocks whose means show how far neighbouring samples go together: a period of 50 Hz hum."""


@dataclass(frozen=True, slots=True)
class ZeroReading:
    """A zero reading in counts. ``noise_counts`` is the standard deviation of its samples without what moved
    slowly, ``sd_counts`` with it. ``together`` is by how much the variance of a mean of many samples exceeds
    that of as many independent ones (at least 1): filters, hum and wandering make neighbours alike.
    """

    mean_counts: float
    sd_counts: float
    noise_counts: float
    samples: int
    together: float = 1.0

    @property
    def steady(self) -> bool:
        """Whether the reading moved no more than its noise."""
        return self.sd_counts <= STEADY_SD * self.noise_counts


@dataclass(frozen=True, slots=True)
class SideFacts:
    """One side channel, with its samples as :attr:`RunFacts.pieces` has those of the run."""

    channel: SideChannel
    pieces: tuple[tuple[int, Counts], ...] = ()


@dataclass(frozen=True, slots=True)
class RunFacts:
    """One run with all that its evaluation takes in; no file is touched from here on.

    ``pieces`` are the stretches between gaps: index of the first sample, counts (int32). ``lines`` holds,
    for the sign of torque +1 and -1, the calibration line or the reason in words why there is none.
    ``boxcars_s`` are the converter's filter, ``steps`` its steps where they are uneven; ``doubts`` says by
    sign what to think of the calibration.
    ``ring_down`` is how the rig rings with the run's fitting, ``tapped_fittings`` names others it was tapped
    with. ``filter`` names the filter that is wanted for peaks and widths, "" for none.
    ``thresholds_nm`` are the levels of retained torque whose times are asked for, ascending.
    """

    context: RunContext
    pieces: tuple[tuple[int, Counts], ...]
    zero_before: ZeroReading | None
    zero_after: ZeroReading | None
    lines: Mapping[int, Line | str]
    boxcars_s: tuple[float, ...] = ()
    software_version: str = ""
    doubts: Mapping[int, tuple[str, ...]] = field(default_factory=dict)
    ring_down: RingDown | None = None
    tapped_fittings: tuple[str, ...] = ()
    filter: str = ""
    thresholds_nm: tuple[float, ...] = ()
    sides: tuple[SideFacts, ...] = ()
    steps: Steps | None = None


def zero_reading(counts: Counts, rate_hz: float) -> ZeroReading:
    """Mean, standard deviation and togetherness of the samples of a zero reading (at least 2)."""
    sd = float(np.std(counts, ddof=1))
    noise = noise_sd(counts) if len(counts) >= LEAST_QUIET else sd
    return ZeroReading(float(np.mean(counts)), sd, noise, len(counts), _together(counts, rate_hz, sd))


def _together(counts: Counts, rate_hz: float, sd: float) -> float:
    """m·var(means of blocks of m)/var, at least 1; also 1 where there are too few blocks to tell."""
    length = max(1, round(BLOCK_S * rate_hz))
    blocks = len(counts) // length
    if blocks < 10 or sd == 0.0:
        return 1.0
    means = counts[: blocks * length].reshape(blocks, length).mean(axis=1)
    return max(1.0, length * float(np.var(means, ddof=1)) / sd**2)


class Gatherer:
    """Gathers runs of one archive; calibration lines are worked out once for all runs that share them.

    With ``named``, the beginning of its id, that calibration is taken for torque of its sign, and no other.
    Raises ArchiveError when there is no such calibration, or several are. ``thresholds_nm`` are asked for
    beside those of a run's plan. ``filter_name`` is that of a filter for peaks and widths, "" for none.
    """

    def __init__(
        self, archive: Archive, named: str = "", thresholds_nm: Sequence[float] = (), filter_name: str = ""
    ) -> None:
        self._archive, self._filter = archive, filter_name
        self._ring_downs: dict[str, list[RingDown]] = {}
        self._thresholds_nm = tuple(thresholds_nm)
        self.named_id = find_calibration(archive, named).id if named else ""
        self._lines: dict[tuple[str, str], dict[int, Line | str]] = {}
        self._seats: dict[str, dict[str, tuple[Zero | None, Zero | None]]] = {}

    @cached_property
    def calibrations(self) -> list[Candidate]:
        """All calibrations of the archive, in order of time."""
        return candidates(self._archive)

    @cached_property
    def _doubtful(self) -> Doubtful:
        return Doubtful(self._archive, self.calibrations)

    def context(self, run: Run) -> RunContext:
        """What a run belongs to, without its samples."""
        return _context(self._archive, run)

    def facts(self, run: Run) -> RunFacts:
        """Everything about ``run``, a measurement or an import.

        Raises:
            DamageError: its samples do not agree with their checksum.
        """
        return self.with_samples(self.without_samples(run))

    def with_samples(self, facts: RunFacts) -> RunFacts:
        """What :meth:`without_samples` gave, with samples and zeros; raises what :meth:`facts` does."""
        run, settings = facts.context.run, facts.context.settings
        before, after = self._zeros(run)
        return replace(
            facts,
            pieces=tuple(self._archive.pieces(run.id)),
            zero_before=self._reading(before, settings),
            zero_after=self._reading(after, settings),
            sides=tuple(
                SideFacts(side.channel, tuple(self._archive.side_pieces(side.channel.id)))
                for side in facts.sides
            ),
        )

    def seals(self, run: Run) -> tuple[str | None, ...]:
        """The seals of a run, its side channels and its zeros' recordings; None while one is recorded."""
        zeros = [self._archive.get(Run, zero.run_id) for zero in self._zeros(run) if zero is not None]
        sides = self._archive.sides(run.id)
        return run.seal, *(zero.seal for zero in zeros), *(side.seal for side in sides)

    def without_samples(self, run: Run) -> RunFacts:
        """Everything about ``run`` but samples and zero readings."""
        context = self.context(run)
        board = self._archive.get(Board, context.session.board_id)
        settings = context.settings
        lines, doubts = self._conversion(context, run)
        tapped = self._tapped(context.rig.id)
        return RunFacts(
            context=context,
            pieces=(),
            zero_before=None,
            zero_after=None,
            lines=lines,
            boxcars_s=boxcars_s(board.converter, settings.rate_hz, settings.group_delay_s),
            steps=steps_of(board.converter, settings.full_scale_code),
            software_version=__version__,
            doubts=doubts,
            thresholds_nm=tuple(sorted({*self._thresholds_nm, *_planned(context)})),
            ring_down=ring_down_for(tapped, run.fitting_id, run.started_at),
            tapped_fittings=self._fittings(tapped),
            filter=self._filter,
            sides=tuple(SideFacts(channel) for channel in context.sides),
        )

    def _tapped(self, rig_id: str) -> list[RingDown]:
        """The ring-downs of a rig."""
        if rig_id not in self._ring_downs:
            self._ring_downs[rig_id] = ring_downs(self._archive, rig_id)
        return self._ring_downs[rig_id]

    def _fittings(self, tapped: Sequence[RingDown]) -> tuple[str, ...]:
        """Names of the fittings with which a rig was tapped."""
        ids = dict.fromkeys(one.fitting_id for one in tapped)
        return tuple("none named" if i is None else self._archive.get(Fitting, i).name for i in ids)

    def _zeros(self, run: Run) -> tuple[Zero | None, Zero | None]:
        """The zero readings right before and right after a run."""
        if run.session_id not in self._seats:
            self._seats[run.session_id] = _seats(self._archive, run.session_id)
        return self._seats[run.session_id][run.id]

    def _conversion(
        self, context: RunContext, run: Run
    ) -> tuple[dict[int, Line | str], dict[int, tuple[str, ...]]]:
        """The lines by sign of torque, and what is to be thought of them; of an import as it is stated."""
        if run.kind is not RunKind.IMPORT:
            return self._lines_for(context.rig.id, context.settings), self._doubts(context, run)
        (origin,) = self._archive.all(Origin, run_id=run.id)
        lines = {sign: stated_line(origin, context.settings, sign) for sign in (1, -1)}
        return lines, dict.fromkeys((1, -1), origin_flags(origin))

    def _doubts(self, context: RunContext, run: Run) -> dict[int, tuple[str, ...]]:
        lines = self._lines_for(context.rig.id, context.settings)
        return {
            sign: self._doubtful.of(line, run, context.session.cable)
            for sign, line in lines.items()
            if not isinstance(line, str)
        }

    def _reading(self, zero: Zero | None, settings: Settings) -> ZeroReading | None:
        if zero is None:
            return None
        return zero_reading(self._archive.counts(zero.run_id), settings.rate_hz)

    def _lines_for(self, rig_id: str, settings: Settings) -> dict[int, Line | str]:
        key = rig_id, settings.id
        if key not in self._lines:
            found = {sign: self._choose(sign, rig_id, settings) for sign in (1, -1)}
            self._lines[key] = {
                sign: fit if isinstance(fit, str) else fit.line for sign, fit in found.items()
            }
        return self._lines[key]

    def _choose(self, sign: int, rig_id: str, settings: Settings) -> LineFit | str:
        for one in self.calibrations:
            if one.calibration.id == self.named_id:
                return choose_named(one, self.calibrations, sign, rig_id, settings)
        return choose(self.calibrations, sign, rig_id, settings)


def why_unused(named_id: str, results: Sequence[RunResult]) -> str:
    """Why no run takes the calibration that was named; empty where one does, or there is no run."""
    if not named_id or not results or any(named_id in result.calibration_ids for result in results):
        return ""
    fitting = (result.uncalibrated for result in results if named_id[:8] in result.uncalibrated)
    return next(fitting, f"calibration {named_id[:8]} does not fit: no run has torque of its direction")


def gather(archive: Archive, run: Run) -> RunFacts:
    """Everything about one run; for several runs use one :class:`Gatherer`."""
    return Gatherer(archive).facts(run)


def _context(archive: Archive, run: Run) -> RunContext:
    session = archive.get(Session, run.session_id)
    decisions = archive.decisions(run.id)
    return RunContext(
        run=run,
        session=session,
        rig=archive.get(Rig, session.rig_id),
        settings=archive.get(Settings, run.settings_id),
        plan=_maybe(archive, Plan, run.plan_id),
        tool=_maybe(archive, Tool, run.tool_id),
        supply=_maybe(archive, Supply, run.supply_id),
        fitting_name="" if run.fitting_id is None else archive.get(Fitting, run.fitting_id).name,
        decision=decisions[-1] if decisions else None,
        gaps=tuple(archive.gaps(run.id)),
        notices=tuple(archive.notices(run.id)),
        ratings=tuple(archive.all(Rating, run_id=run.id)),
        sides=_sides(archive, run),
    )


def _sides(archive: Archive, run: Run) -> tuple[SideChannel, ...]:
    """The side channels of a run; of several of one quantity the latest."""
    return tuple({channel.quantity: channel for channel in archive.sides(run.id)}.values())


def _planned(context: RunContext) -> tuple[float, ...]:
    return () if context.plan is None else context.plan.thresholds_nm


def _maybe(archive: Archive, kind: type[Thing], record_id: str | None) -> Thing | None:
    return None if record_id is None else archive.get(kind, record_id)


def _seats(archive: Archive, session_id: str) -> dict[str, tuple[Zero | None, Zero | None]]:
    """For each run of a session the zero readings right before and right after it: with the same settings,
    and no run between."""
    runs = [one for one in archive.all(Run, session_id=session_id) if one.kind in _OF_A_SET]
    by_run = {zero.run_id: zero for zero in archive.all(Zero, session_id=session_id)}
    return {
        run.id: (
            _zero_of(runs[max(0, place - 1) : place], run, by_run),
            _zero_of(runs[place + 1 : place + 2], run, by_run),
        )
        for place, run in enumerate(runs)
    }


def _zero_of(neighbour: Sequence[Run], run: Run, by_run: Mapping[str, Zero]) -> Zero | None:
    """The zero reading that a run's neighbour in time is, if it is one."""
    if not neighbour or neighbour[0].settings_id != run.settings_id:
        return None
    return by_run.get(neighbour[0].id)
