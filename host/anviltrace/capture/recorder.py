"""Records one run: joins the link to the board and the archive, and keeps time in samples.

Nothing is printed here: a :class:`Watcher` is told how it goes, and a :class:`BenchHand` is asked to do
what only a person (or the operator of the virtual rig) can.
"""

from __future__ import annotations

import contextlib
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, Protocol

import numpy as np

from anviltrace.archive.archive import Archive
from anviltrace.archive.recording import Recording
from anviltrace.calibration.stability import Gate, Known
from anviltrace.capture.account import account
from anviltrace.capture.bursts import BurstIntake, BurstStages, BurstWish, words
from anviltrace.capture.intake import Intake
from anviltrace.capture.onset import EARLY_RELEASE_S, Counts, last_activity
from anviltrace.capture.sideintake import NOTICE as SIDE_NOTICE
from anviltrace.capture.sideintake import WRITE_EVERY_S, SideIntake
from anviltrace.capture.stages import (
    ReadingStages,
    RunStages,
    Stage,
    Stages,
    StillStages,
    TapStages,
    ZeroStages,
)
from anviltrace.errors import ArchiveError, RecordError, TalkError
from anviltrace.link.events import Alive, Blocks, BoardError, Damage, Event, Finished, Side, Text, Totals
from anviltrace.link.session import Session as Link
from anviltrace.link.timebase import Rate, measure_rate
from anviltrace.records import (
    Duty,
    Plan,
    Run,
    RunKind,
    RunState,
    Settings,
    Supply,
    Tool,
    Zero,
    new_id,
    now_utc,
)
from anvilwire import messages

AGAINST_ROTATION = (
    "the signal moved against the rotation: the bridge is wired the other way round, or the plan names the "
    "wrong rotation"
)
MAY_BE_LOOSE = "loose or released"
"""Kind of the notice when loosening: a joint that came loose ends the blows too; metrics tell them apart."""
_STILL_S = 0.005
"""A change within this time is a blow; a level that settles is slower."""
_LOWEST_RATE_FOR_BLOWS_HZ = 1000.0


class BenchHand(Protocol):
    """Whoever acts at the bench. Each call returns when the thing is done."""

    def slacken(self) -> None:
        """Make the joint slack: the next run starts from nothing."""

    def seat(self, tool: Tool, supply: Supply) -> None:
        """Put the tool on the fastener, on this supply, trigger off."""

    def preset(self, plan: Plan) -> None:
        """Bring the joint to the state a preset plan starts from."""

    def drive(self, plan: Plan) -> None:
        """Pull the trigger now, in the plan's direction."""

    def release(self) -> None:
        """Let go of the trigger now."""

    def unseat(self) -> None:
        """Take the tool off and put it down."""


@dataclass(frozen=True, slots=True)
class Progress:
    """How a recording goes: ``seconds_left`` to the next stage, latest reading, samples and taps so far."""

    stage: Stage
    kind: RunKind
    seconds_left: float
    latest_counts: int | None
    zero_counts: float | None
    samples: int
    onset_found: bool
    saturated: int
    taps: int = 0
    is_burst: bool = False


Watcher = Callable[[Progress], None]
AnyStages = Stages | BurstStages


@dataclass(frozen=True, slots=True)
class Job:
    """What a recording needs to know beside its stages. ``tap`` asks for one tap, without waiting for it."""

    run: Run
    hand: BenchHand | None = None
    plan: Plan | None = None
    tap: Callable[[], None] | None = None


class Recorder:
    """Records runs of one session, one after the other.

    With ``burst`` zero readings and measurements are bursts: kept in the board's memory, sent afterwards.
    """

    def __init__(
        self,
        link: Link,
        archive: Archive,
        settings: Settings,
        session_id: str,
        watcher: Watcher,
        burst: BurstWish | None = None,
    ) -> None:
        self._link = link
        self._archive = archive
        self._settings = settings
        self._session_id = session_id
        self._watcher = watcher
        self._burst = burst
        self._reached = 0
        self._wire_run_id = 0
        self._zero_counts: float | None = None
        self._zero_sd_counts = 0.0
        self._totals: Totals | None = None
        self._rate: Rate | None = None
        self._driving = False
        self._sides: SideIntake | None = None
        self._sides_due = 0.0

    def zero(self, zero_s: float, joint_state: str = "slack") -> Zero:
        """Record a zero reading: tool off and seated, joint slack.

        Raises RecordError when it holds too few samples, and whatever :meth:`measure` raises.
        """
        run = self._new_run(kind=RunKind.ZERO)
        closed = self._record(Job(run), self._zero_stages(zero_s))
        counts = self._archive.counts(closed.id)
        if len(counts) < 2:
            raise RecordError(f"the zero reading holds {len(counts)} samples; lengthen zero_s of the plan")
        mean, sd = float(np.mean(counts)), float(np.std(counts, ddof=1))
        zero = Zero(new_id(), self._session_id, closed.id, now_utc(), mean, sd, len(counts), joint_state)
        self._archive.put(zero)
        self._zero_counts, self._zero_sd_counts = mean, sd
        return zero

    def steady(self, gate: Gate, known: Known, kind: RunKind = RunKind.CALIBRATION) -> tuple[Run, str]:
        """Record a reading with weights until it is steady or the gate's longest wait is over.

        Returns the run and what was not steady in the end (empty when it was). Raises what :meth:`measure`
        raises.
        """
        self._zero_counts = known.zero_counts
        stages = ReadingStages(gate, known, self._settings.rate_hz)
        run = self._record(Job(self._new_run(kind=kind)), stages)
        return run, stages.why_unsteady

    def still(self, still_s: float, reason: str) -> tuple[Run, Rate | None]:
        """Record a rig that nobody touches, or that is held still; ``reason`` is kept as what it was for.

        Returns the run, and its rate by the board's ticks with how they scatter, which is nowhere kept.
        Raises what :meth:`measure` raises.
        """
        stages = StillStages(still_s, self._settings.rate_hz, reason)
        return self._record(Job(self._new_run(kind=RunKind.CHECK)), stages), self._rate

    def measure(self, plan: Plan, hand: BenchHand, **fields: Any) -> Run:
        """Record one run by the plan; ``fields`` (tool_id, supply_id, set_id, repeat, ...) go into the run.

        Whatever happens, the run is closed with everything received: as finished when the board's totals
        came, else as interrupted, and then the error is raised again (with ``run`` in the archive).
        """
        run = self._new_run(kind=RunKind.MEASUREMENT, plan_id=plan.id, **fields)
        return self._record(Job(run, hand, plan), self._run_stages(plan))

    def taps(self, count: int, tap: Callable[[], None], fitting_id: str | None) -> tuple[Run, TapStages]:
        """Record ``count`` taps, each asked for with ``tap``; returns the run and how it went.

        Raises what :meth:`measure` raises.
        """
        stages = TapStages(count, self._settings)
        run = self._new_run(kind=RunKind.TAP, fitting_id=fitting_id)
        return self._record(Job(run, tap=tap), stages), stages

    def _zero_stages(self, zero_s: float) -> AnyStages:
        if self._burst is None:
            return ZeroStages(zero_s, self._settings.rate_hz)
        burst = self._burst.at_once(self._link.identity, self._settings.rate_hz, zero_s)
        return BurstStages(burst, self._settings, None)

    def _run_stages(self, plan: Plan) -> AnyStages:
        if self._burst is None:
            return RunStages(plan, self._settings)
        burst = self._burst.on_blow(self._link.identity, self._settings, self._zero_sd_counts)
        return BurstStages(burst, self._settings, plan)

    def _new_run(self, **fields: Any) -> Run:
        self._wire_run_id = self._wire_run_id % 65535 + 1
        return Run(
            id=new_id(),
            session_id=self._session_id,
            settings_id=self._settings.id,
            state=RunState.RECORDING,
            started_at=now_utc(),
            wire_run_id=self._wire_run_id,
            **fields,
        )

    def _record(self, job: Job, stages: AnyStages) -> Run:
        recording = self._archive.begin(job.run)
        kind = BurstIntake if isinstance(stages, BurstStages) else Intake
        intake = kind(recording, job.run.id, job.run.wire_run_id, self._settings)
        try:
            self._totals, self._sides, self._sides_due = None, None, WRITE_EVERY_S * self._settings.rate_hz
            self._reached = 0
            if isinstance(stages, BurstStages):
                start_tick = self._link.start_burst(job.run.wire_run_id, stages.burst)
            else:
                start_tick = self._link.start(job.run.wire_run_id)
            self._sides = SideIntake(job.run, self._link.sensors, self._settings, start_tick)
            self._follow(job, stages, intake, recording)
            reason = self._end(job, stages, intake, recording)
        except BaseException as error:
            self._close_interrupted(error, recording, intake, stages)
            self._cue(Stage.DONE, job)
            raise
        return recording.finish(end_reason=reason, **self._findings(intake, stages))

    def _follow(self, job: Job, stages: AnyStages, intake: Intake, recording: Recording) -> None:
        """Take samples, give cues, until the stages or the board end it."""
        self._watcher(self._progress(job, stages, intake, recording))
        while stages.stage is not Stage.DONE and self._totals is None:
            for first, counts in self._take(intake, recording):
                for stage in stages.feed(first, counts):
                    self._cue(stage, job)
            self._write_sides(intake, recording)
            if isinstance(stages, BurstStages):
                self._follow_burst(job, stages)
            self._watcher(self._progress(job, stages, intake, recording))

    def _follow_burst(self, job: Job, stages: BurstStages) -> None:
        """A burst has only the board's own count of samples to go by until it is complete."""
        has_all = self._totals is not None or self._link.fetching
        for stage in stages.complete() if has_all else stages.reach(self._reached):
            self._cue(stage, job)

    def _cue(self, stage: Stage, job: Job) -> None:
        """Ask the hand for what the stage needs; a trigger that was pulled is let go whatever happens."""
        if job.tap is not None and stage is Stage.DRIVE:
            job.tap()
        if job.hand is None or job.plan is None:
            return
        if stage is Stage.DRIVE:
            self._driving = True
            job.hand.drive(job.plan)
        elif self._driving and stage in (Stage.RELEASE, Stage.DONE):
            self._driving = False
            job.hand.release()

    def _end(self, job: Job, stages: AnyStages, intake: Intake, recording: Recording) -> str:
        """Stop the board, take what is still on the way, prove that it is complete; return how it ended."""
        totals = self._totals or self._link.stop()
        for first, counts in self._take(intake, recording, timeout_s=0.0):
            stages.feed(first, counts)
        totals, stretches = intake.settle(totals)
        self._totals = totals
        if isinstance(stages, BurstStages):
            stages.look(stretches, totals.trigger_index)
            self._note_burst(stages, recording)
            self._watcher(self._progress(job, stages, intake, recording))
        self._note_account(totals, intake, recording)
        self._keep_sides(intake, recording)
        if stages.against_rotation:
            recording.notice("polarity", AGAINST_ROTATION, stages.onset_index)
        self._note_early_release(job, stages, recording)
        if totals.reason not in (messages.ASKED, messages.BURST_FULL):
            raise RecordError(f"{totals.reason_text}; the run is kept as interrupted")
        return stages.reason

    def _note_burst(self, stages: AnyStages, recording: Recording) -> None:
        """That it was a burst, how long and what triggered it."""
        if isinstance(stages, BurstStages) and self._totals is not None:
            text = words(stages.burst, self._totals, self._settings)
            recording.notice("burst", text, stages.onset_index or 0)

    def _note_account(self, totals: Totals, intake: Intake, recording: Recording) -> None:
        """Whether everything is there, and what had to be asked for again."""
        reckoned = account(totals, intake.blocks, intake.samples, intake.gaps, self._link.recovered)
        for kind, text in reckoned.notices():
            recording.notice(kind, text)

    def _take(self, intake: Intake, recording: Recording, timeout_s: float = 0.1) -> list[tuple[int, Counts]]:
        """What has arrived goes where it belongs; returns the stretches of samples."""
        stretches = []
        for event in self._link.poll(timeout_s):
            if isinstance(event, Blocks):
                stretches += intake.take(event.table, event.samples)
            elif isinstance(event, Finished):
                self._totals = event.totals
            elif isinstance(event, Alive) and event.state == messages.STREAMING:
                self._reached = event.next_index
            elif isinstance(event, Side):
                if self._sides is not None:
                    self._sides.take(event)
            else:
                _keep_word(event, recording)
        return stretches

    def _close_interrupted(
        self, error: BaseException, recording: Recording, intake: Intake, stages: AnyStages
    ) -> None:
        if not isinstance(error, TalkError | RecordError):
            self._stop_quietly(intake, recording)
            with contextlib.suppress(ArchiveError):
                self._note_burst(stages, recording)
        if recording.is_open:
            with contextlib.suppress(ArchiveError):  # what ails the disk shows again at once
                self._keep_sides(intake, recording)
            recording.interrupt(_why(error), **self._findings(intake, stages))

    def _stop_quietly(self, intake: Intake, recording: Recording) -> None:
        """Stop the board after an error that is not its own, and take what is still on the way.

        The error at hand matters more than another one.
        """
        with contextlib.suppress(TalkError, ArchiveError):
            self._totals = self._link.stop()
            with contextlib.suppress(ArchiveError):
                self._take(intake, recording, timeout_s=0.0)
            self._totals, _ = intake.settle(self._totals)
            self._note_account(self._totals, intake, recording)

    def _write_sides(self, intake: Intake, recording: Recording) -> None:
        """What the side sensors brought meanwhile, so that a process that is killed does not lose it."""
        if self._sides is None or recording.next_index < self._sides_due:
            return
        self._sides_due = recording.next_index + WRITE_EVERY_S * self._settings.rate_hz
        self._sides.write(recording, *intake.ticks())

    def _keep_sides(self, intake: Intake, recording: Recording) -> None:
        """What the side sensors brought, once the run's clock is known."""
        if self._sides is not None:
            self._sides.keep(recording, *intake.ticks())

    def _findings(self, intake: Intake, stages: AnyStages) -> dict[str, Any]:
        """The fields of Run that are known only at its end."""
        rate = self._rate = measure_rate(*intake.ticks())
        totals = self._totals
        return {
            "samples_total": None if totals is None else totals.next_index,
            "rate_hz": None if rate is None else rate.hz,
            "onset_index": stages.onset_index,
            "release_index": stages.release_index,
            "saturated": intake.saturated,
        }

    def _note_early_release(self, job: Job, stages: AnyStages, recording: Recording) -> None:
        """Compare the last blow with the signal to release, where the rate shows single blows."""
        rate_hz = self._settings.rate_hz
        if stages.release_index is None or stages.baseline is None or rate_hz < _LOWEST_RATE_FOR_BLOWS_HZ:
            return
        recording.flush()
        departure = self._archive.counts(job.run.id).astype(np.float64) - stages.baseline.mean_counts
        last = last_activity(departure, stages.baseline, max(1, round(_STILL_S * rate_hz)))
        if last is None:
            return
        early_s = (stages.release_index - last) / rate_hz
        if early_s > EARLY_RELEASE_S:
            loosens = job.plan is not None and job.plan.duty is Duty.LOOSENING
            kind = MAY_BE_LOOSE if loosens else "early release"
            recording.notice(kind, f"blows ended {early_s:.2f} s before the signal", last)

    def _progress(self, job: Job, stages: AnyStages, intake: Intake, recording: Recording) -> Progress:
        return Progress(
            stage=stages.stage,
            kind=job.run.kind,
            seconds_left=stages.seconds_left(
                self._reached if isinstance(stages, BurstStages) else recording.next_index
            ),
            latest_counts=intake.latest_counts,
            zero_counts=self._zero_counts,
            samples=recording.next_index,
            onset_found=stages.onset_index is not None,
            saturated=intake.saturated,
            taps=stages.taps if isinstance(stages, TapStages) else 0,
            is_burst=isinstance(stages, BurstStages),
        )


def _keep_word(event: Event, recording: Recording) -> None:
    """Store what the board said or what went wrong on the way."""
    if isinstance(event, Text):
        recording.notice("text", event.text)
    elif isinstance(event, BoardError):
        recording.notice(SIDE_NOTICE if event.code == messages.SENSOR_FAULT else "error", event.text)
    elif isinstance(event, Damage):
        recording.notice("damage", str(event))


def _why(error: BaseException) -> str:
    if isinstance(error, KeyboardInterrupt):
        return "stopped by the operator"
    return str(error) or type(error).__name__
