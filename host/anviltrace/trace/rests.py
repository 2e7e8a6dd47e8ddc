"""The rests between blows: their level, how it drifts, until when the rig rings in them, and how much."""

from __future__ import annotations

from dataclasses import dataclass, fields

import numpy as np
import numpy.typing as npt

from anviltrace.trace.level import LEAST_QUIET, quiet_levels
from anviltrace.trace.outline import Outlines
from anviltrace.trace.stretches import Rows, at_once, rows_of
from anviltrace.trace.struck import GUARD_S, LEAD_S, QUIET_S, Struck

Floats = npt.NDArray[np.float64]
Indices = npt.NDArray[np.int64]

LEAST_FOR_LINE = 20
"""Means from which the level close to a blow is a straight line, so that it may drift."""

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

    ``level`` is the median from ``first`` to before ``last``, NaN where that is too short. From the mean
    ``ring_end`` on nothing rings any more. The level close to a blow is the straight line ``mean`` +
    ``slope``·(place − ``middle``).
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
    latest = (until - record.samples(LEAD_S)) // record.calm.length
    width = int((last - apex).max()) // record.calm.length + 2
    parts = []
    for some in at_once(apex.size, width):
        quiet = _quiet(record, apex[some], (apex + half)[some], last[some], width)
        ring_end = np.minimum(_ring_end(record, quiet), latest[some])
        parts.append(_rests(record, quiet, np.maximum(ring_end, quiet.rows.first), ring_end))
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
    ring_end = np.append(first[:1] // record.calm.length, after.ring_end[long])
    before = Rests(*(np.roll(getattr(after, f.name), 1) for f in fields(Rests)))
    width = 2 * most // record.calm.length + 2
    for some in at_once(blow.size, width):
        quiet = _quiet(record, still[some], first[some], last[some], width)
        fresh = _rests(record, quiet, quiet.rows.first, ring_end[some])
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


@dataclass(frozen=True, slots=True)
class _Quiet:
    """Rows of means of rests, and which of each are quiet: from ``begin`` to before ``end`` in the record's
    means; that is from sample ``first`` to before ``last``, but for a fraction of a mean."""

    rows: Rows
    begin: Indices
    end: Indices
    first: Indices
    last: Indices

    def levels(self, begin: Indices, end: Indices) -> Floats:
        """Medians of the means from ``begin`` to before ``end``."""
        return quiet_levels(self.rows.part(begin, end), end - begin)


def _quiet(record: Struck, since: Indices, first: Indices, last: Indices, width: int) -> _Quiet:
    """Rests from sample ``since`` on; at least one mean of each is quiet."""
    length, most = record.calm.length, record.calm.values.size
    begin = np.minimum(first // length, most - 1)
    end = np.clip(last // length, begin + 1, most)
    return _Quiet(rows_of(record.calm.values, since // length, width), begin, end, first, last)


def _rests(record: Struck, quiet: _Quiet, still: Indices, ring_end: Indices) -> Rests:
    """With a line through the means from ``still`` on where they are more than the quiet ones, else with a
    level."""
    begin, end, rows, length = quiet.begin, quiet.end, quiet.rows, record.calm.length
    level = np.where(quiet.last - quiet.first >= LEAST_QUIET, quiet.levels(begin, end), np.nan)
    count = end - still
    line = count >= np.maximum(LEAST_FOR_LINE, end - begin)
    stop, many = np.where(line, end, still), np.where(line, count, 2).astype(np.float64)
    mean = rows.sums(still, stop) / many
    centre = still - rows.first + 0.5 * (many - 1.0)
    slope = (rows.moments(still, stop) / many - centre * mean) * 12.0 / (many**2 - 1.0) / length
    middle = np.where(line, record.middle(0.5 * (still + end - 1)), 0.0)
    return Rests(quiet.first, quiet.last, level, ring_end, middle, np.where(line, mean, level), slope)


def _ring_end(record: Struck, quiet: _Quiet) -> Indices:
    """The mean at which each ring is over: a little after the last that stands out of the noise about the
    level.

    Rows begin at the apexes. The level may drift, so it is a line through the medians of the two halves of
    the quiet part.
    """
    rows, begin, end = quiet.rows, quiet.begin, quiet.end
    middle = (begin + end) // 2
    known = middle > begin
    early, late = quiet.levels(begin, np.maximum(middle, begin + 1)), quiet.levels(middle, end)
    slope = np.where(known, 2.0 * (late - early) / (end - begin), 0.0)
    level = np.where(known, 0.5 * (early + late) + slope * (rows.first - middle), 0.0)
    departure = slope[:, np.newaxis] * rows.column
    departure += level[:, np.newaxis]
    np.abs(np.subtract(rows.values, departure, out=departure), out=departure)
    least = np.maximum(_RINGING_SD * record.noise_sd, _RINGING_SHARE * departure[:, 0])
    loud = departure > least[:, np.newaxis]
    loud &= rows.column < (end - rows.first)[:, np.newaxis]
    last = loud.shape[1] - 1 - loud[:, ::-1].argmax(axis=1)
    last[~loud[np.arange(last.size), last]] = 0
    return np.where(known, rows.first + last + record.means(_TAIL_S), end)
