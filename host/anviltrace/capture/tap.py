"""The tap test: a person taps the socket end of the rig a few times, and its ring-down goes on record."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from anviltrace.archive.archive import Archive
from anviltrace.capture.recorder import Recorder
from anviltrace.errors import RecordError
from anviltrace.records import Fitting, RingDown, Run, Session, Settings, new_id, now_utc
from anviltrace.trace.level import noise_sd
from anviltrace.trace.ringdown import LEAST_TAPS, RungTaps, combine_taps, find_taps, measure_tap
from anviltrace.trace.sampling import LEAST_RATE_HZ

_NOISE_S = 0.5
"""The end of the quiet stretch that tells level and noise."""
_APART = 0.2
"""Share by which the two ways to the damping ratio may differ without a word."""


def record_taps(
    recorder: Recorder,
    archive: Archive,
    settings: Settings,
    count: int,
    tap: Callable[[], None],
    fitting: Fitting | None = None,
    note: str = "",
    software_version: str = "",
) -> tuple[RingDown, RungTaps]:
    """Record ``count`` taps, each asked for with ``tap``, and keep what they come to.

    The recording is kept in any case. Raises RecordError where the rate cannot show a ring or the recording
    ends without enough taps that tell something, and whatever :meth:`Recorder.taps` does.
    """
    if settings.rate_hz < LEAST_RATE_HZ:
        raise RecordError(
            f"{settings.rate_hz:g} samples a second cannot show how a rig rings, {LEAST_RATE_HZ:g} are the "
            "least; single blows are not measured at such a rate either, so no ring-down is needed for them"
        )
    if fitting is not None:
        archive.put(fitting)
    run, stages = recorder.taps(count, tap, None if fitting is None else fitting.id)
    rung = measure_taps(taps_of(archive, run, settings, stages.quiet_end), settings)
    if isinstance(rung, str):
        ended = "" if stages.taps == count else f"{stages.reason}; "
        raise RecordError(f"{ended}{rung}; the recording is kept, nothing was put on record from it")
    made = RingDown(
        id=new_id(),
        session_id=run.session_id,
        run_id=run.id,
        fitting_id=run.fitting_id,
        taken_at=now_utc(),
        taps=len(rung.taps),
        natural_hz=rung.natural_hz,
        natural_u_hz=rung.natural_u_hz,
        damping_ratio=rung.damping_ratio,
        damping_u=rung.damping_u,
        decrement_ratio=rung.decrement_ratio,
        software_version=software_version,
        note=note,
    )
    archive.put(made)
    return made, rung


@dataclass(frozen=True, slots=True)
class TapsFound:
    """The counts of each tap of a recording, from where it begins to before the next, and their noise."""

    taps: tuple[npt.NDArray[np.float64], ...]
    rate_hz: float
    noise_sd: float


def taps_of(archive: Archive, run: Run, settings: Settings, quiet_end: int) -> TapsFound | str:
    """The taps of a recording that is quiet up to ``quiet_end``, or why none can be found.

    Taps are looked for in each stretch between gaps by itself.
    """
    pieces = archive.pieces(run.id)
    rate_hz = run.rate_hz or settings.rate_hz
    first, counts = pieces[0] if pieces else (0, np.empty(0, np.int32))
    end = min(len(counts), max(0, quiet_end - first))
    quiet = counts[max(0, end - round(_NOISE_S * rate_hz)) : end]
    if len(quiet) < round(0.5 * _NOISE_S * rate_hz):
        return "samples are missing in the quiet stretch before the first tap: check the cable, tap anew"
    level, noise = float(np.median(quiet)), noise_sd(quiet)
    taps = tuple(
        piece[tap].astype(np.float64)
        for _, piece in pieces
        for tap in find_taps(piece, rate_hz, level, noise)
    )
    return TapsFound(taps, rate_hz, noise)


def measure_taps(found: TapsFound | str, settings: Settings) -> RungTaps | str:
    """What the taps that :func:`taps_of` found come to, or why they tell nothing."""
    if isinstance(found, str):
        return found
    limits = float(settings.saturation_low), float(settings.saturation_high)
    measured = [measure_tap(tap, found.rate_hz, found.noise_sd, limits) for tap in found.taps]
    return combine_taps(measured, LEAST_TAPS)


def doubts(rung: RungTaps) -> list[str]:
    """What to tell about a ring-down, in words; nothing where all is well."""
    words = [f"a tap was left out: {reason}" for reason in rung.refused]
    if abs(rung.decrement_ratio / rung.damping_ratio - 1.0) > _APART:
        words.append(
            f"the logarithmic decrement gives a damping ratio of {rung.decrement_ratio:.2g}, the fit"
            f" {rung.damping_ratio:.2g}: the rig may ring at two frequencies; tap at another place"
        )
    if rung.damping_u > _APART * rung.damping_ratio:
        words.append("the taps differ much in damping: tap always at the same place, and let it ring out")
    return words


def ring_downs(archive: Archive, rig_id: str) -> list[RingDown]:
    """All ring-downs of a rig, in order of time."""
    return [one for one in archive.all(RingDown) if archive.get(Session, one.session_id).rig_id == rig_id]


def ring_down_for(of_rig: Sequence[RingDown], fitting_id: str | None, at: str) -> RingDown | None:
    """The one of these that holds with a fitting at a time: the last before it, else the first."""
    fitted = [one for one in of_rig if one.fitting_id == fitting_id]
    before = [one for one in fitted if one.taken_at <= at]
    return before[-1] if before else (fitted[0] if fitted else None)
