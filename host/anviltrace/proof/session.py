"""A check out of the archive: its recordings of one sitting, and what they come to.

A fresh check and one worked out again go the same way; only how the board's ticks scatter is known to a
fresh one alone.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from anviltrace.archive.archive import Archive
from anviltrace.calibration.shunt import work_out
from anviltrace.capture.lines import line_for
from anviltrace.capture.recorder import Recorder
from anviltrace.capture.shuntreadings import kept_shunts
from anviltrace.capture.sideintake import NOTICE
from anviltrace.capture.stages import QUIET_BEFORE_TAPS_S
from anviltrace.capture.tap import TapsFound, doubts, measure_taps, taps_of
from anviltrace.errors import ArchiveError, RecordError
from anviltrace.metrics.figures import value_with_uncertainty
from anviltrace.proof.guided import Push, judge_polarity, judge_ring, judge_shunt
from anviltrace.proof.limits import CheckLimits
from anviltrace.proof.lines import CheckLine, judged, not_done
from anviltrace.proof.sizes import Nominal, Sizes, sizes_of
from anviltrace.proof.still import StillReading, judge_still
from anviltrace.records import Board, Quantity, Run, RunKind, Session, Settings, SideChannel
from anviltrace.trace.level import LEAST_QUIET, noise_sd
from anviltrace.trace.ringdown import RungTaps
from anviltrace.units import TorqueUnit

STILL = "board check: rig at rest"
PUSHED = "board check: pushed clockwise"
"""What the recordings of a check were for, kept as the reason why they ended."""
PUSH_S = 2.0
ACTS = ("polarity", "shunt", "ring")
"""The lines that need a hand."""
_LEAST_STILL_S = 1.0
_LEFT_OUT = "left out of this check"


@dataclass(frozen=True, slots=True)
class CheckRuns:
    """The recordings of one check: ``still`` there always is, the others may have been left out (None)."""

    still: Run
    settings: Settings
    converter: str
    pushed: Run | None = None
    taps: Run | None = None
    tap_settings: Settings | None = None


@dataclass(frozen=True, slots=True)
class Checked:
    """What a check comes to, and what its pictures are drawn from."""

    runs: CheckRuns
    reading: StillReading
    sizes: Sizes
    lines: tuple[CheckLine, ...]
    taps: TapsFound | None
    rung: RungTaps | None


def record_still(recorder: Recorder, still_s: float) -> tuple[Run, float | None]:
    """Record the rig at rest; returns the run and how the board's ticks scatter, in seconds.

    Raises RecordError below a second, and whatever :meth:`Recorder.still` raises.
    """
    if still_s < _LEAST_STILL_S:
        raise RecordError(f"{still_s:g} s at rest are too short: record {_LEAST_STILL_S:g} s at least")
    run, rate = recorder.still(still_s, STILL)
    return run, None if rate is None else rate.jitter_s


def find_check(archive: Archive, beginning: str = "") -> Run:
    """The recording at rest of the check whose run, of whatever part, begins with ``beginning``; the newest
    where it is empty.

    Raises ArchiveError when there is none.
    """
    rested = [run for run in archive.all(Run, kind=RunKind.CHECK) if run.end_reason == STILL]
    if beginning:
        session_id = archive.find_run(beginning).session_id
        rested = [run for run in rested if run.session_id == session_id]
    if not rested:
        raise ArchiveError(f"{archive.path} has no check of a board{' there' if beginning else ''}: make one")
    return rested[-1]


def check_runs(archive: Archive, still: Run) -> CheckRuns:
    """The recordings that belong to the check of a recording at rest: the same sitting, after it."""
    session = archive.get(Session, still.session_id)
    runs = [run for run in archive.all(Run, session_id=session.id) if run.started_at >= still.started_at]
    pushed = [run for run in runs if run.end_reason == PUSHED]
    taps = [run for run in runs if run.kind is RunKind.TAP]
    return CheckRuns(
        still=still,
        settings=archive.get(Settings, still.settings_id),
        converter=archive.get(Board, session.board_id).converter,
        pushed=pushed[-1] if pushed else None,
        taps=taps[-1] if taps else None,
        tap_settings=archive.get(Settings, taps[-1].settings_id) if taps else None,
    )


def work_out_check(
    archive: Archive,
    runs: CheckRuns,
    limits: CheckLimits,
    nominal: Nominal | None = None,
    jitter_s: float | None = None,
    left_out: Mapping[str, CheckLine] | None = None,
    unit: TorqueUnit = TorqueUnit.NM,
) -> Checked:
    """All lines of a check. ``left_out`` holds the lines of polarity, shunt and ring that were not done.

    Raises DamageError when counts do not agree with their checksum.
    """
    told = {name: not_done(name, _LEFT_OUT) for name in ACTS} | dict(left_out or {})
    reading = _still_reading(archive, runs, jitter_s)
    sizes = sizes_of(runs.settings, _counts_per_nm(archive, runs), nominal, unit)
    found, rung = _taps(archive, runs)
    lines = [
        *judge_still(reading, sizes, limits),
        _polarity(archive, runs, reading, sizes) or told["polarity"],
        _shunt(archive, runs, sizes, limits) or told["shunt"],
        *(_ring(runs, rung, limits) or [told["ring"]]),
        *_sensors(archive, runs),
    ]
    return Checked(runs, reading, sizes, tuple(lines), found, None if isinstance(rung, str) else rung)


def _still_reading(archive: Archive, runs: CheckRuns, jitter_s: float | None) -> StillReading:
    run = runs.still
    return StillReading(
        pieces=tuple(counts for _, counts in archive.pieces(run.id)),
        settings=runs.settings,
        converter=runs.converter,
        rate_hz=run.rate_hz,
        jitter_s=jitter_s,
        lost=sum(gap.count for gap in archive.gaps(run.id)),
    )


def _counts_per_nm(archive: Archive, runs: CheckRuns) -> float | None:
    rig_id = archive.get(Session, runs.still.session_id).rig_id
    for sign in (1, -1):
        found = line_for(archive, sign, rig_id, runs.settings)
        if not isinstance(found, str):
            return found.line.counts_per_nm
    return None


def _polarity(archive: Archive, runs: CheckRuns, reading: StillReading, sizes: Sizes) -> CheckLine | None:
    if runs.pushed is None or not reading.counts.size:
        return None
    sd = noise_sd(reading.longest) if reading.longest.size >= LEAST_QUIET else float(np.std(reading.counts))
    pushed = archive.counts(runs.pushed.id)
    push = Push(float(np.median(reading.counts)), float(np.median(pushed)), sd)
    return judge_polarity(push, sizes)


def _shunt(archive: Archive, runs: CheckRuns, sizes: Sizes, limits: CheckLimits) -> CheckLine | None:
    taken = kept_shunts(archive, session_id=runs.still.session_id, settings_id=runs.settings.id)
    if not taken:
        return None
    return judge_shunt(work_out(taken[-1]), taken[-1].shunt.name, sizes, limits)


def _taps(archive: Archive, runs: CheckRuns) -> tuple[TapsFound | None, RungTaps | str | None]:
    """The taps and what they come to, or why they tell nothing; nothing where none were recorded."""
    if runs.taps is None or runs.tap_settings is None:
        return None, None
    quiet_end = round(QUIET_BEFORE_TAPS_S * runs.tap_settings.rate_hz)
    found = taps_of(archive, runs.taps, runs.tap_settings, quiet_end)
    return None if isinstance(found, str) else found, measure_taps(found, runs.tap_settings)


def _ring(runs: CheckRuns, rung: RungTaps | str | None, limits: CheckLimits) -> list[CheckLine]:
    if rung is None or runs.tap_settings is None:
        return []
    told = [] if isinstance(rung, str) else doubts(rung)
    return judge_ring(rung, told, runs.tap_settings.rate_hz, limits)


def _sensors(archive: Archive, runs: CheckRuns) -> list[CheckLine]:
    """A line about the board's side sensors; none where nothing of them is on record.

    Of a rig at rest only the temperature is kept; what is wrong with any sensor is told.
    """
    troubles = [notice.text for notice in archive.notices(runs.still.id) if notice.kind == NOTICE]
    found = archive.all(SideChannel, run_id=runs.still.id, quantity=Quantity.TEMPERATURE)
    if not troubles and not found:
        return []
    words, data = "no temperature", dict[str, float | int | str | None]()
    for channel in found[-1:]:
        counts = np.concatenate([piece for _, piece in archive.side_pieces(channel.id)])
        celsius = (float(np.mean(counts)) - channel.zero_counts) * channel.per_count
        within = 2.0 * math.hypot(channel.u_zero, channel.u_relative * celsius)
        words = f"transducer at {value_with_uncertainty(celsius, within or None)} °C by {channel.sensor}"
        data = {"temperature_c": celsius, "sensor": channel.sensor}
    advice = "; ".join(dict.fromkeys(troubles))
    return [
        CheckLine("sensors", judged(fails=False, looks=bool(troubles)), words, "no trouble", advice, data)
    ]
