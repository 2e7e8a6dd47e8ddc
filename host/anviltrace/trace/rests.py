"""The rests between blows: their level, how it drifts, until when the rig rings in them, and how much."""

from __future__ import annotations

from dataclasses import dataclass, fields

import numpy as np
import numpy.typing as npt

from anviltrace.trace.kernels import last_beyond, medians_of, power_of, sums_of
from anviltrace.trace.level import LEAST_QUIET
from anviltrace.trace.outline import Outlines
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
_ENOUGH = 24
"""Means that show about where a level is, beside rings of several standard deviations of the noise."""
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

    def some(self, which: Indices | slice) -> Rests:
        """These of them."""
        return Rests(*(getattr(self, field.name)[which] for field in fields(self)))

    def area(self, first: Floats | Indices, last: Floats | Indices) -> Floats:
        """Integral of each line from ``first`` to ``last``, both in samples."""
        place = 0.5 * (first + last) - self.middle
        return np.asarray((last - first) * (self.mean + self.slope * place))


def rests_around(record: Struck) -> tuple[Rests, Rests]:
    """Rests before each blow, and after each.

    After a blow quiet is the second half of the rest, of a long one the second half of the first 50 ms.
    Before a blow it is the same, but of a long one the end counts. Before the first blow it is the second
    half of what there is: values may begin in the middle of a blow.
    """
    apex, until, most = record.found.apex_index, record.clear_until, record.samples(QUIET_S)
    whole = (until - apex) // 2
    half = np.minimum(whole, most)
    half[-1] = min(int(half[-1]), record.usual_half)
    last = np.where(half == whole, until, apex + 2 * half)
    long = np.flatnonzero(last[:-1] < until[:-1])
    begin = max(0, int(record.found.start_index[0]) - record.samples(GUARD_S))
    end = np.append(begin, until[long])
    beside = np.maximum(end - most, 0)
    beside[0] = max(int(beside[0]), min(begin // 2, begin - LEAST_QUIET))
    still = np.append(beside[:1], end[1:] - 2 * most)
    first = np.append(apex + half, beside)
    quiet = _quiet(record, np.append(apex, still), first, np.append(last, end))
    ring_end = np.append(_ring_end(record, quiet.some(slice(apex.size)), until), quiet.since[apex.size :])
    ring_end[apex.size + 1 :] = ring_end[long]
    rests = _rests(record, quiet, np.maximum(ring_end, quiet.since), ring_end)
    number = np.arange(-1, apex.size - 1)
    number[np.append(0, long + 1)] = apex.size + np.arange(long.size + 1)
    return rests.some(number), rests.some(slice(apex.size))


def ring_left(record: Struck, outlines: Outlines) -> Floats:
    """Amplitude of what still rings before the next blow over the net peak; NaN after the last blow."""
    apex, until, late = record.found.apex_index, record.clear_until, record.samples(_LATE_S)
    first = np.maximum((apex + until) // 2, until - late)
    known = until - first >= 2
    known[-1] = False
    left = np.full(apex.size, np.nan)
    power = power_of(record.values, first[known], until[known], outlines.high[known])
    left[known] = np.sqrt(2.0 * np.maximum(0.0, power - record.noise_sd**2))
    return np.asarray(left / (outlines.peak - outlines.low))


@dataclass(frozen=True, slots=True)
class _Quiet:
    """Means of rests: they begin at ``since``, and are quiet from ``begin`` to before ``end``; that is from
    sample ``first`` to before ``last``, but for a fraction of a mean."""

    since: Indices
    begin: Indices
    end: Indices
    first: Indices
    last: Indices

    def some(self, which: slice) -> _Quiet:
        """These of them."""
        return _Quiet(*(getattr(self, field.name)[which] for field in fields(self)))


def _quiet(record: Struck, since: Indices, first: Indices, last: Indices) -> _Quiet:
    """Rests from sample ``since`` on; at least one mean of each is quiet."""
    length, most = record.calm.length, record.calm.values.size
    begin = np.minimum(first // length, most - 1)
    end = np.minimum(np.maximum(last // length, begin + 1), most)
    return _Quiet(np.minimum(since // length, begin), begin, end, first, last)


def _rests(record: Struck, quiet: _Quiet, still: Indices, ring_end: Indices) -> Rests:
    """With a line through the means from ``still`` on where they are more than the quiet ones, else with a
    level."""
    begin, end, calm = quiet.begin, quiet.end, record.calm
    known = quiet.last - quiet.first >= LEAST_QUIET
    level = np.where(known, medians_of(calm.values, begin, end), np.nan)
    line = end - still >= np.maximum(LEAST_FOR_LINE, end - begin)
    start = np.where(line, still, end)
    many = np.where(line, end - still, 2).astype(np.float64)
    sums, moments = sums_of(calm.values, start, end)
    mean = sums / many
    slope = (moments / many - 0.5 * (many - 1.0) * mean) * 12.0 / (many**2 - 1.0) / calm.length
    middle = np.where(line, record.middle(0.5 * (still + end - 1)), 0.0)
    return Rests(quiet.first, quiet.last, level, ring_end, middle, np.where(line, mean, level), slope)


def _ring_end(record: Struck, quiet: _Quiet, until: Indices) -> Indices:
    """The mean at which each ring is over: a little after the last that stands out of the noise about the
    level, and well before the next blow.

    Rests begin at the apexes. The level may drift, so it is a line through the medians of the two halves of
    the quiet part.
    """
    calm, since, begin, end = record.calm.values, quiet.since, quiet.begin, quiet.end
    middle = (begin + end) // 2
    known = middle > begin
    step = 1 + int((end - begin).max()) // (2 * _ENOUGH)
    early = medians_of(calm, begin, np.maximum(middle, begin + 1), step)
    late = medians_of(calm, middle, end, step)
    slope = np.where(known, 2.0 * (late - early) / (end - begin), 0.0)
    level = np.where(known, 0.5 * (early + late) + slope * (since - middle), 0.0)
    least = np.maximum(_RINGING_SD * record.noise_sd, _RINGING_SHARE * np.abs(calm[since] - level))
    last = np.maximum(last_beyond(calm, since, end, level, slope, least), since)
    latest = (until - record.samples(LEAD_S)) // record.calm.length
    return np.minimum(np.where(known, last + record.means(_TAIL_S), end), latest)
