"""Takes the readings of a calibration, keeps them as load steps, and discards those that are repeated."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from anviltrace.archive.archive import Archive
from anviltrace.calibration.instructions import Failed, Read, Reading
from anviltrace.calibration.stability import Gate, Known, Window, look_at
from anviltrace.capture.barezero import BARE, bare_zeros, compare_bare
from anviltrace.capture.lines import kept_steps, line_for
from anviltrace.capture.recorder import Recorder
from anviltrace.capture.task import Task
from anviltrace.errors import CalibrationError
from anviltrace.records import Decision, LoadStep, Run, Session, Settings, new_id, now_utc


class LoadReader:
    """Takes the readings of one calibration and keeps them as load steps."""

    def __init__(self, recorder: Recorder, archive: Archive, task: Task, calibration_id: str) -> None:
        self._recorder, self._archive, self._task = recorder, archive, task
        self._calibration_id = calibration_id
        self._gate: Gate = task.inventory.gate
        self._run: Run | None = None
        self._window: Window | None = None
        self._known = Known()
        for step in kept_steps(archive, calibration_id):
            self._learn(step.mean_counts, step.sd_counts)

    def read(self, asked: Read) -> Reading | Failed:
        """Record until steady; nothing is kept yet but the counts."""
        self._run, unsteady = self._recorder.steady(self._gate, self._known)
        if unsteady:
            return Failed(
                f"reading {asked.number} is not steady after {self._gate.longest_s:g} s: {unsteady}; let the "
                "weights hang still, keep draughts and hands off"
            )
        try:
            self._window = last_window(
                self._archive, self._run, self._task.settings, self._gate, f"reading {asked.number}"
            )
        except CalibrationError as error:
            return Failed(str(error))
        return Reading(self._window.mean_counts)

    def keep(self, asked: Read) -> None:
        """Make the reading just taken a load step."""
        assert self._run is not None
        assert self._window is not None
        window = self._window
        taken = self._archive.all(LoadStep, calibration_id=self._calibration_id)
        step = LoadStep(
            id=new_id(),
            calibration_id=self._calibration_id,
            number=1 + max((one.number for one in taken), default=0),
            series=asked.series,
            mounting=asked.mounting,
            branch=asked.branch,
            run_id=self._run.id,
            mass_ids=tuple(mass.id for mass in asked.load.masses),
            angle_deg=asked.angle_deg,
            mean_counts=window.mean_counts,
            sd_counts=window.sd_counts,
            drift_counts=window.drift_counts,
            samples=window.samples,
            taken_at=now_utc(),
        )
        self._archive.put(step)
        self._learn(window.mean_counts, window.sd_counts)

    def reject(self, reason: str) -> None:
        """The reading just taken becomes no load step."""
        assert self._run is not None
        self._discard(self._run.id, reason)

    def drop(self, reason: str) -> None:
        """Take the load step kept last out of the line."""
        self._discard(kept_steps(self._archive, self._calibration_id)[-1].run_id, reason)

    def void(self, series: Sequence[int], reason: str) -> None:
        """Take the load steps of series out of the line, latest first: what is left is always a beginning."""
        for step in reversed(kept_steps(self._archive, self._calibration_id)):
            if step.series in series:
                self._discard(step.run_id, reason)

    def bare(self) -> str:
        """Read the bare rig, and say how that compares with before."""
        earlier = bare_zeros(self._archive, self._task.session_id, self._task.settings)
        zero = self._recorder.zero(self._gate.window_s, joint_state=BARE)
        session = self._archive.get(Session, self._task.session_id)
        line = line_for(self._archive, self._task.sign, session.rig_id, self._task.settings)
        span = None if isinstance(line, str) else line.line.highest_nm * line.line.counts_per_nm
        return compare_bare(zero, earlier, span, self._task.settings.mv_per_v_per_count)

    def _discard(self, run_id: str, reason: str) -> None:
        self._archive.put(Decision(new_id(), run_id, "discard", reason))

    def _learn(self, mean_counts: float, sd_counts: float) -> None:
        known = self._known
        if known.zero_counts is None:
            self._known = Known(mean_counts, sd_counts, 0.0)
        else:
            span = max(known.span_counts, abs(mean_counts - known.zero_counts))
            self._known = Known(known.zero_counts, known.noise_counts, span)


def last_window(archive: Archive, run: Run, settings: Settings, gate: Gate, reading: str) -> Window:
    """The last window of a recording: its counts are in the archive, so the reading can be redone.

    Raises CalibrationError, naming the ``reading``, when samples are missing from it or out of range.
    """
    pieces = archive.pieces(run.id)
    counts = pieces[-1][1][-gate.samples(settings.rate_hz) :] if pieces else np.empty(0, np.int32)
    if len(counts) < gate.samples(settings.rate_hz):
        raise CalibrationError(f"samples were lost in {reading}: begin anew, from the zero")
    if ((counts <= settings.saturation_low) | (counts >= settings.saturation_high)).any():
        raise CalibrationError(
            f"{reading} is beyond the converter's range: take a lower gain, for runs as well"
        )
    return look_at(counts)
