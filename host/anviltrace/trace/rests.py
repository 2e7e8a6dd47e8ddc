"""The rests between blows: their level, how it drifts, until when the rig rings in them, and how much."""

from __future__ import annotations

from dataclasses import dataclass, fields

import numpy as np
import numpy.typing as npt

from anviltrace.trace.level import quiet_levels
from anviltrace.trace.outline import Outlines
from anviltrace.trace.stretches import Rows, at_once
from anviltrace.trace.struck import GUARD_S, LEAD_S, QUIET_S, Struck

Floats = npt.NDArray[np.float64]
Indices = npt.NDArray[np.int64]

LEAST_FOR_LINE = 20
"""Samples from which the level close to a blow is a straight line, so that it may drift."""

_RINGING_SD = 5.0
_RINGING_SHARE = 0.005
_TAIL_S = 0.002
"""The ring is over this long after it last exceeded so many standard deviations of the noise and this
share of the blow."""
_LATE_S = 0.004
"""The end of an interval, where it shows what still rings."""


@dataclass(frozen=True, slots=True)
class Rests:
    """Rests before or after each blow, arrays of shape (m,); places are samples from the first value.

    ``level`` is the median from ``first`` to before ``last``, NaN where that is too short. From ``ring_end``
    on nothing rings any more. The level close to a blow is the straight line ``mean`` + ``slope``·(place −
    ``middle``).
    """

    first: Indices
    last: Indices
    level: Floats
    ring_end: Indices
    middle: Floats
    mean: Floats
    slope: Floats

    @property
    def samples(self) -> Indices:
        """What each level stands on."""
        return self.last - self.first

    def area(self, first: Floats | Indices, last: Floats | Indices) -> Floats:
        """Integral of each line from ``first`` to ``last``, both in samples."""
        place = 0.5 * (first + last) - self.middle
        return np.asarray((last - first) * (self.mean + self.slope * place))


def rests_after(record: Struck) -> Rests:
    """Quiet is the second half of the rest, of a long one the second half of the first 50 ms."""
    apex, until, most = record.found.apex_index, record.clear_until, record.samples(QUIET_S)
    whole = (until - apex) // 2
    half = np.minimum(whole, most)
    half[-1] = min(int(half[-1]), record.usual_half)
    last = np.where(half == whole, until, apex + 2 * half)
    width = max(1, int((last - apex).max()))
    latest = until - record.samples(LEAD_S)
    parts = [
        _after(record, width, apex[some], (apex + half)[some], last[some], latest[some])
        for some in at_once(apex.size, width)
    ]
    return Rests(*(np.concatenate([getattr(part, f.name) for part in parts]) for f in fields(Rests)))


def rests_before(record: Struck, after: Rests) -> Rests:
    """The same rests seen from the blows that end them: of a long one the end counts."""
    until, most = record.clear_until, record.samples(QUIET_S)
    long = np.flatnonzero(after.last[:-1] < until[:-1])
    begin = max(0, int(record.found.start_index[0]) - record.samples(GUARD_S))
    blow = np.append(0, long + 1)
    last = np.append(begin, until[long])
    first = np.maximum(last - most, 0)
    still = np.append(first[:1], last[1:] - 2 * most)
    ring_end = np.append(first[:1], after.ring_end[long])
    before = Rests(*(np.roll(getattr(after, f.name), 1) for f in fields(Rests)))
    for some in at_once(blow.size, 2 * most):
        calm = record.calm(still[some], max(1, int((last - still)[some].max())))
        fresh = _rests(calm, first[some], last[some], still[some], ring_end[some])
        for field in fields(Rests):
            getattr(before, field.name)[blow[some]] = getattr(fresh, field.name)
    return before


def ring_left(record: Struck, outlines: Outlines) -> Floats:
    """Amplitude of what still rings before the next blow over the net peak; NaN after the last blow."""
    apex, until, late = record.found.apex_index, record.clear_until, record.samples(_LATE_S)
    first = np.maximum((apex + until) // 2, until - late)
    count = until - first
    left = np.full(apex.size, np.nan)
    known = np.flatnonzero((count >= 2) & (np.arange(apex.size) < apex.size - 1))
    for some in at_once(known.size, late):
        blow = known[some]
        rows = record.rows(first[blow], int(count[blow].max()))
        departure = rows.values - outlines.high[blow, np.newaxis]
        np.square(departure, out=departure)
        power = Rows(departure, rows.first).sums(first[blow], until[blow]) / count[blow]
        left[blow] = np.sqrt(2.0 * np.maximum(0.0, power - record.noise_sd**2))
    return np.asarray(left / (outlines.peak - outlines.low))


def _after(
    record: Struck, width: int, apex: Indices, first: Indices, last: Indices, latest: Indices
) -> Rests:
    """Rests after a few blows; none rings on after ``latest``."""
    calm = record.calm(apex, width)
    ring_end = np.minimum(_ring_end(record, calm, first, last), latest)
    return _rests(calm, first, last, np.maximum(ring_end, apex), ring_end)


def _rests(calm: Rows, first: Indices, last: Indices, still: Indices, ring_end: Indices) -> Rests:
    """With a line from ``still`` to ``last`` where that is longer than the quiet part, else with a level."""
    level = quiet_levels(calm.part(first, last), last - first)
    count = last - still
    line = count >= np.maximum(LEAST_FOR_LINE, last - first)
    end, many = np.where(line, last, still), np.where(line, count, 2).astype(np.float64)
    mean = calm.sums(still, end) / many
    centre = still - calm.first + 0.5 * (many - 1.0)
    slope = (calm.moments(still, end) / many - centre * mean) * 12.0 / (many**2 - 1.0)
    middle = np.where(line, 0.5 * (still + last - 1), 0.0)
    return Rests(first, last, level, ring_end, middle, np.where(line, mean, level), slope)


def _ring_end(record: Struck, calm: Rows, first: Indices, last: Indices) -> Indices:
    """Last sample of each ring: a little after the last one that stands out of the noise about the level.

    ``calm`` begins at the apexes. The level may drift, so it is a line through the medians of the two halves
    of the quiet part.
    """
    middle = (first + last) // 2
    early = quiet_levels(calm.part(first, middle), middle - first)
    late = quiet_levels(calm.part(middle, last), last - middle)
    known = np.isfinite(early) & np.isfinite(late)
    slope = np.where(known, 2.0 * (late - early) / np.maximum(last - first, 1), 0.0)
    level = np.where(known, 0.5 * (early + late) + slope * (calm.first - middle), 0.0)
    departure = slope[:, np.newaxis] * calm.column
    departure += level[:, np.newaxis]
    np.abs(np.subtract(calm.values, departure, out=departure), out=departure)
    least = np.maximum(_RINGING_SD * record.noise_sd, _RINGING_SHARE * departure[:, 0])
    loud = departure > least[:, np.newaxis]
    count = last - calm.first
    shortest = max(0, int(count.min()))
    loud[:, shortest:] &= calm.column[shortest:] < count[:, np.newaxis]
    end = loud.shape[1] - 1 - loud[:, ::-1].argmax(axis=1)
    end[~loud[np.arange(end.size), end]] = 0
    return np.where(known, calm.first + end + record.samples(_TAIL_S), last)
