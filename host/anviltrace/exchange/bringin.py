"""Puts a recording made elsewhere into an archive, as a run of its own kind with its own zeros.

Samples that are missing are gaps. A zero is a stretch of the recording that somebody vouches for: tool off,
joint slack. The level before a run is never taken for it unasked.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import numpy as np

from anviltrace import __version__
from anviltrace.archive.archive import Archive
from anviltrace.capture.onset import Baseline, find_onset
from anviltrace.errors import PlanError
from anviltrace.exchange.foreign import Counts, Foreign, file_hash
from anviltrace.exchange.stated import Stated, Stretch
from anviltrace.records import (
    Board,
    Gap,
    GapCause,
    Origin,
    Run,
    RunKind,
    RunState,
    ScaleKind,
    Session,
    Settings,
    Spread,
    Zero,
    described_id,
    new_id,
    now_utc,
)

LEAST_ZERO_S, LEAST_ZERO = 0.05, 20
"""A zero reading is at least so long, and holds so many samples."""
MOST_SWING, FAR_OVER_USUAL = 0.1, 3.0
"""With blows in it a zero reading swings by more than this share of the whole recording, and its standard
deviation is so many times what that of most samples is."""
SD_PER_MAD = 1.4826
"""Standard deviation of normal noise over its median distance from the median."""
ONSET_SHARE = 0.02
"""Share of the largest departure that an onset must exceed (common practice, of the range)."""


def bring_in(archive: Archive, path: Path, foreign: Foreign, stated: Stated, *, again: bool = False) -> Run:
    """Put a recording into an archive with its zeros, and return its run.

    Raises PlanError when a zero lies outside the recording or is too short, when nobody says how well its
    torque is known, or when the archive has this channel of this file and ``again`` is not set.
    """
    nm_per_kept, digest = stated.nm_per_kept(), file_hash(path)
    _must_be_new(archive, path, digest, foreign.channel, again)
    earlier, later = _sides(foreign, stated.zeros)
    settings, session = _settings(foreign, stated), _session(path, stated)
    _put_things(archive, stated, settings, session)
    before = [_put_zero(archive, session, settings, counts, foreign.axis.rate_hz) for counts in earlier]
    begun = _begun(session, settings, stated)
    run = _put_run(
        archive, begun, _origin(path, digest, begun, foreign, stated, nm_per_kept), foreign, before
    )
    for counts in later:
        _put_zero(archive, session, settings, counts, foreign.axis.rate_hz)
    archive.end_session(session.id)
    return run


def _must_be_new(archive: Archive, path: Path, digest: str, channel: str, again: bool) -> None:
    runs = [
        archive.get(Run, origin.run_id) for origin in archive.all(Origin, file_hash=digest, channel=channel)
    ]
    whole = [run for run in runs if run.state is RunState.FINISHED]
    if whole and not again:
        raise PlanError(
            f"{path} was brought in already, as run {whole[0].id[:8]}: bring it in anew with --again"
        )


def _zero_counts(foreign: Foreign, stretch: Stretch) -> Counts:
    first, end = foreign.first_at(stretch.start_s), foreign.first_at(stretch.end_s)
    last = int(foreign.index[-1])
    if first < 0 or end - 1 > last:
        raise PlanError(
            f"the zero from {stretch.start_s:g} to {stretch.end_s:g} s is not within the recording, "
            f"{foreign.time_s(0):.3f} to {foreign.time_s(last):.3f} s by its own time: correct --zero"
        )
    counts = foreign.between(first, end)
    if len(counts) < max(LEAST_ZERO, LEAST_ZERO_S * foreign.axis.rate_hz):
        raise PlanError(
            f"the zero from {stretch.start_s:g} to {stretch.end_s:g} s holds {len(counts)} samples; it takes "
            f"{LEAST_ZERO_S:g} s and {LEAST_ZERO} samples at least: give a longer stretch with --zero"
        )
    swing = float(np.ptp(counts) / np.ptp(foreign.counts))
    if swing > MOST_SWING and _is_struck(counts):
        raise PlanError(
            f"the zero from {stretch.start_s:g} to {stretch.end_s:g} s swings by {100.0 * swing:.0f} % of "
            f"what the whole recording does (limit {100.0 * MOST_SWING:.0f} %), as where the tool strikes: "
            "give a stretch at rest with --zero"
        )
    return counts


def _is_struck(counts: Counts) -> bool:
    """Whether few samples swing far more than most of them, as blows do and noise, hum and drift do not."""
    usual = SD_PER_MAD * float(np.median(np.abs(counts - np.median(counts))))
    return float(counts.std()) > FAR_OVER_USUAL * usual


def _sides(foreign: Foreign, zeros: Sequence[Stretch]) -> tuple[list[Counts], list[Counts]]:
    """The zeros before and after the highest sample, at most one each.

    Raises PlanError when two lie on the same side.
    """
    highest_s = foreign.time_s(
        int(foreign.index[np.argmax(np.abs(foreign.counts - np.median(foreign.counts)))])
    )
    before = [stretch for stretch in zeros if stretch.start_s < highest_s]
    after = [stretch for stretch in zeros if stretch.start_s >= highest_s]
    if len(before) > 1 or len(after) > 1:
        raise PlanError(
            f"{max(len(before), len(after))} zeros lie on one side of the highest value, at "
            f"{highest_s:.3f} s: give one before the blows and one after them"
        )
    counts = [[_zero_counts(foreign, stretch) for stretch in side] for side in (before, after)]
    return counts[0], counts[1]


def _settings(foreign: Foreign, stated: Stated) -> Settings:
    low, high = foreign.saturation
    return Settings(
        id=new_id(),
        wire_id=0,
        rate_hz=foreign.axis.rate_hz,
        gain=1,
        group_delay_s=0.0,
        scale_kind=stated.scale_kind,
        full_scale=foreign.full_scale,
        full_scale_code=foreign.full_scale_code,
        saturation_low=low,
        saturation_high=high,
        excitation_v=None,
        excitation_source="ratiometric" if stated.scale_kind is ScaleKind.RATIO else "nominal",
    )


def _recorder() -> Board:
    """Stands for whatever instrument recorded: nothing of it is known."""
    return Board(
        described_id("Board", "recorded elsewhere"), "", "recorded elsewhere", "", 0, "not known", 32
    )


def _session(path: Path, stated: Stated) -> Session:
    at = stated.recorded_at or _written(path)
    return Session(
        new_id(), stated.rig.id, _recorder().id, at, stated.operator, None, __version__, stated.note
    )


def _written(path: Path) -> str:
    """When the file was last written, for want of anything better."""
    at = datetime.fromtimestamp(path.stat().st_mtime, UTC)
    return at.isoformat(timespec="milliseconds").replace("+00:00", "Z")


def _put_things(archive: Archive, stated: Stated, settings: Settings, session: Session) -> None:
    for record in (
        stated.rig,
        stated.plan,
        stated.tool,
        stated.supply,
        stated.fitting,
        _recorder(),
        settings,
    ):
        if record is not None:
            archive.put(record)
    archive.put(session)


def _put_zero(archive: Archive, session: Session, settings: Settings, counts: Counts, rate_hz: float) -> Zero:
    recording = archive.begin(_new_run(session, settings, RunKind.ZERO))
    recording.append(0, counts)
    run = recording.finish(samples_total=len(counts), rate_hz=rate_hz, end_reason="part of a file")
    zero = Zero(
        new_id(), session.id, run.id, session.started_at, float(counts.mean()), float(counts.std(ddof=1)),
        len(counts),
    )  # fmt: skip
    archive.put(zero)
    return zero


def _new_run(session: Session, settings: Settings, kind: RunKind) -> Run:
    return Run(new_id(), session.id, settings.id, kind, RunState.RECORDING, session.started_at, 0)


def _begun(session: Session, settings: Settings, stated: Stated) -> Run:
    return replace(
        _new_run(session, settings, RunKind.IMPORT),
        plan_id=stated.plan.id,
        tool_id=stated.tool.id if stated.tool else None,
        supply_id=stated.supply.id if stated.supply else None,
        supply_state=stated.supply_state,
        fitting_id=stated.fitting.id if stated.fitting else None,
    )


def _put_run(archive: Archive, run: Run, origin: Origin, foreign: Foreign, zeros: list[Zero]) -> Run:
    """The origin goes in first: whatever stops this, no finished run is without one."""
    with archive.begin(run) as recording:
        archive.put(origin)
        expected = 0
        for first, counts in foreign.pieces:
            if first > expected:
                recording.gap(Gap(run.id, expected, first - expected, GapCause.CONVERTER))
            recording.append(first, counts)
            expected = first + len(counts)
        if foreign.not_numbers:
            recording.notice("import", f"{foreign.not_numbers} values are no numbers and count as missing", 0)
        if foreign.remark:
            recording.notice("doubtful", foreign.remark)
        return recording.finish(
            samples_total=expected,
            rate_hz=foreign.axis.rate_hz,
            end_reason="end of the file",
            onset_index=_onset(foreign, zeros),
            saturated=foreign.saturated,
        )


def _onset(foreign: Foreign, zeros: list[Zero]) -> int | None:
    """Where the tool sets in, by the rule of recordings made here; None without a zero."""
    if not zeros:
        return None
    departure = foreign.counts.astype(np.float64) - zeros[0].mean_counts
    quiet = Baseline(zeros[0].mean_counts, zeros[0].sd_counts, ONSET_SHARE * float(np.abs(departure).max()))
    found = find_onset(departure, quiet, foreign.axis.rate_hz)
    return None if found is None else int(foreign.index[found[0]])


def _origin(
    path: Path, digest: str, run: Run, foreign: Foreign, stated: Stated, nm_per_kept: float | None
) -> Origin:
    within = 0.0 if nm_per_kept is None or stated.within_percent is None else stated.within_percent / 100.0
    return Origin(
        id=new_id(),
        run_id=run.id,
        file_name=path.name,
        file_hash=digest,
        channel=foreign.channel,
        unit=stated.unit.value,
        nm_per_unit=nm_per_kept,
        nm_u_relative=within / math.sqrt(3.0),
        spread=Spread.RECTANGULAR,
        imported_at=now_utc(),
        note=stated.note,
    )
