"""What each blow was: level before and after, peak, impulse, width, rise, and what still rang.

The level changes at the apex: up to it a blow is counted over the level before, from it on over the level
after. On a rig that keeps nothing both are the same; on a held rig the joint gives way at the apex. So the
impulse does not depend on where its window ends, as long as the ring has died down by then: the ring's own
impulse is nothing, and cutting it short reads wrong by as much as 40 % (a transducer with 0.8 periods to a
blow and a damping of 0.01).

Definitions (common practice, but for the impulse): see :class:`Blows`.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, fields, replace
from typing import Any

import numpy as np
import numpy.typing as npt

from anviltrace.trace.finding import START_SHARE, Found, find_blows
from anviltrace.trace.level import quiet_level
from anviltrace.trace.rate import doubles
from anviltrace.trace.ring import Ring, estimate_ring, ring_filter

__all__ = ["BASE_OVER_FWHM", "Blows", "Found", "find_blows", "joined", "measure_blows"]

Floats = npt.NDArray[np.float64]
Flags = npt.NDArray[np.bool_]
Indices = npt.NDArray[np.int64]

BASE_OVER_FWHM = 1.5
"""Base width over full width at half maximum; exact for half a sine."""
LEAST_FOR_PARABOLA = 5.0
"""Samples on the base width from which a parabola through three points at the apex reads better."""
LEAST_FOR_LINE = 20
"""Samples from which the level close to a blow is a straight line, so that it may drift."""

_QUIET_S = 0.025
"""A level is read over half the interval to the next blow, and no more than this."""
_GUARD_S = 0.0002
"""Left out before a start: a filter smears a blow forwards."""
_LEAD_S = 0.001
"""The impulse is taken from this long before the start."""
_RINGING_SD = 5.0
_RINGING_SHARE = 0.005
_TAIL_S = 0.002
"""The ring is over this long after it last exceeded so many standard deviations of the noise and this
share of the blow."""
_CENTRE_STEPS = 3
"""Repetitions until the centre of gravity stays where it is; each is ten times closer at least."""
_RING_MATTERS = 0.003
"""Share of a ring that is left after half an interval from which it is taken out for levels and impulses;
one that is on record is taken out whenever it shows."""
_LATE_S = 0.004
"""The end of an interval, where it shows what still rings."""


@dataclass(frozen=True, slots=True)
class Blows:
    """Measured blows, arrays of shape (m,); values in the unit of the input, along the rotation.

    What cannot be known is NaN: a level on fewer than 5 quiet samples and what follows from it, a crossing
    that is not there. ``start_s`` (at 5 % of the height, interpolated) and ``apex_s`` count from sample 0
    of the record. ``peak`` is the largest value (gross), ``net_peak`` that over ``level_before``: the
    median of half the interval before the blow. ``impulse`` is in the unit times seconds. ``width_s`` lies
    between the half heights, ``rise_s`` between 10 and 90 % of the height. ``ring_left`` is the amplitude
    still ringing when the next blow comes, as a share of the net peak. ``quiet_samples`` is what
    ``level_after`` stands on. ``double`` marks the second blow of a double, ``clipped`` a converter at its
    limit: peak and impulse are lower bounds then. ``piece`` numbers the stretches between gaps.
    """

    start_s: Floats
    apex_s: Floats
    peak: Floats
    net_peak: Floats
    level_before: Floats
    level_after: Floats
    impulse: Floats
    width_s: Floats
    rise_s: Floats
    ring_left: Floats
    quiet_samples: Indices
    double: Flags
    clipped: Flags
    piece: Indices

    def __len__(self) -> int:
        return len(self.apex_s)


def measure_blows(
    values: npt.ArrayLike,
    rate_hz: float,
    found: Found,
    noise_sd: float,
    rotation: int = 1,
    limit: float | None = None,
    first_index: int = 0,
    ring: Ring | None = None,
) -> Blows:
    """Measure the blows ``found`` in one contiguous piece of a record.

    ``values``: shape (n,), unfiltered, in any unit (counts or N·m), ``noise_sd`` in the same; sample
    ``first_index`` of the record is their first. ``limit`` is the largest value the converter can give
    along the rotation; without it two equal samples at the largest value of several blows count as
    clipped. ``ring`` is how the rig is known to ring; without it the ring is estimated.
    """
    record = _record(rotation * np.asarray(values, dtype=np.float64), rate_hz, noise_sd, found, ring)
    rows = list(_measure(record))
    columns: dict[str, Any] = {
        name: np.array([row[name] for row in rows], dtype=np.float64) for name in _MEASURED
    }
    columns["start_s"] += first_index / rate_hz
    columns["apex_s"] += first_index / rate_hz
    return Blows(
        **columns,
        quiet_samples=np.array([row["quiet_samples"] for row in rows], dtype=np.int64),
        double=doubles(columns["apex_s"]),
        clipped=_clipped(record, limit),
        piece=np.zeros(len(found), dtype=np.int64),
    )


def joined(pieces: Iterable[Blows]) -> Blows:
    """The blows of successive pieces as one; ``piece`` numbers them in order. None give no blows."""
    parts = list(pieces)
    if not parts:
        return measure_blows(np.empty(0), 1.0, find_blows(np.empty(0), 1.0, 0.0), 0.0)
    columns = {f.name: np.concatenate([getattr(part, f.name) for part in parts]) for f in fields(Blows)}
    columns["piece"] = np.repeat(np.arange(len(parts)), [len(part) for part in parts])
    return Blows(**columns)


@dataclass(frozen=True, slots=True)
class _Record:
    """Values along the rotation, and how they are cut into blows.

    ``calm`` is what levels and impulses are taken from: the values, or where the rig still rings in the
    rests the values with the ring taken out, in which all comes a little later.
    """

    values: Floats
    rate_hz: float
    noise_sd: float
    found: Found
    calm: Floats

    def samples(self, seconds: float) -> int:
        return max(1, round(seconds * self.rate_hz))

    def next_rise(self, number: int) -> int:
        """One past the last sample that is clear of the next blow, or of the end of the values."""
        end = int(self.found.end_index[number])
        return end - self.samples(_GUARD_S) if number + 1 < len(self.found) else end

    @property
    def usual_half(self) -> int:
        """Half the usual interval in samples; half of the longest quiet stretch where there is none."""
        intervals = np.diff(self.found.apex_index)
        usual = self.samples(2.0 * _QUIET_S) if not intervals.size else int(np.median(intervals))
        return min(usual // 2, self.samples(_QUIET_S))


def _record(
    values: Floats, rate_hz: float, noise_sd: float, found: Found, known: Ring | None = None
) -> _Record:
    plain = _Record(values, rate_hz, noise_sd, found, values)
    ring = estimate_ring(values, rate_hz, found.apex_index, noise_sd, known)
    if ring is None:
        return plain
    if ring is not known and ring.left_after(plain.usual_half / rate_hz) < _RING_MATTERS:
        return plain
    out = ring_filter(ring, rate_hz)
    return replace(plain, calm=out.applied(np.concatenate((np.full(out.reach, values[0]), values))))


_MEASURED = (
    "start_s", "apex_s", "peak", "net_peak", "level_before", "level_after", "impulse", "width_s", "rise_s",
    "ring_left",
)  # fmt: skip


def _measure(record: _Record) -> Iterator[dict[str, float]]:
    """Rows of :class:`Blows`, one a blow; times count from the first value."""
    before = _rest_before_first(record)
    for number in range(len(record.found)):
        after = _rest_after(record, number)
        shape = _Shape(record, number, before.level, after.level)
        yield {
            "start_s": shape.rise_at(START_SHARE) / record.rate_hz,
            "apex_s": shape.apex / record.rate_hz,
            "peak": shape.peak,
            "net_peak": shape.peak - before.level,
            "level_before": before.level,
            "level_after": after.level,
            "impulse": _impulse(record, number, shape, before, after),
            "width_s": shape.width / record.rate_hz,
            "rise_s": (shape.rise_at(0.9) - shape.rise_at(0.1)) / record.rate_hz,
            "ring_left": _ring_left(record, number, shape),
            "quiet_samples": after.quiet.stop - after.quiet.start,
        }
        before = _rest_before_next(record, number, after)


@dataclass(frozen=True, slots=True)
class _Rest:
    """The rest between two blows.

    ``level`` is the median of the stretch ``quiet``. From ``ring_end`` on nothing rings any more. The level
    close to a blow is the straight line ``mean`` + ``slope``·(index − ``middle``).
    """

    quiet: slice
    level: float
    ring_end: int
    middle: float
    mean: float
    slope: float

    def area(self, first: float, last: float) -> float:
        """Integral of the line from ``first`` to ``last``, both in samples."""
        return (last - first) * (self.mean + self.slope * (0.5 * (first + last) - self.middle))


def _rest_before_first(record: _Record) -> _Rest:
    end = int(record.found.start_index[0]) - record.samples(_GUARD_S) if len(record.found) else 0
    quiet = slice(max(0, end - record.samples(_QUIET_S)), max(0, end))
    return _rest(record, quiet, quiet, quiet.start)


def _rest_before_next(record: _Record, number: int, after: _Rest) -> _Rest:
    """The same rest seen from the blow that ends it: of a long one the end counts."""
    end, most = record.next_rise(number), record.samples(_QUIET_S)
    if after.quiet.stop >= end:
        return after
    quiet = slice(end - most, end)
    return _rest(record, quiet, slice(end - 2 * most, end), after.ring_end)


def _rest_after(record: _Record, number: int) -> _Rest:
    """Quiet is the second half of the rest, of a long one the second half of the first 50 ms."""
    apex, end = int(record.found.apex_index[number]), record.next_rise(number)
    half = min((end - apex) // 2, record.samples(_QUIET_S))
    if number == len(record.found) - 1:
        half = min(half, record.usual_half)
    stop = end if half == (end - apex) // 2 else apex + 2 * half
    quiet = slice(apex + half, stop)
    ring_end = min(_ring_end(record, apex, quiet), end - record.samples(_LEAD_S))
    return _rest(record, quiet, slice(ring_end, stop), ring_end)


def _rest(record: _Record, quiet: slice, still: slice, ring_end: int) -> _Rest:
    """With a line through the stretch ``still`` where that is longer than ``quiet``, else with a level."""
    level = quiet_level(record.calm[quiet])
    if still.stop - still.start < max(LEAST_FOR_LINE, quiet.stop - quiet.start):
        return _Rest(quiet, level, ring_end, 0.0, level, 0.0)
    values = record.calm[still]
    steps = np.arange(values.size) - 0.5 * (values.size - 1)
    slope = float(values @ steps) / float(steps @ steps)
    return _Rest(quiet, level, ring_end, 0.5 * (still.start + still.stop - 1), float(values.mean()), slope)


def _ring_end(record: _Record, apex: int, quiet: slice) -> int:
    """Last sample of the ring: a little after the last one that stands out of the noise about the level.

    The level may drift, so it is a line through the medians of the two halves of ``quiet``.
    """
    middle = (quiet.start + quiet.stop) // 2
    early = quiet_level(record.calm[quiet.start : middle])
    late = quiet_level(record.calm[middle : quiet.stop])
    if math.isnan(early) or math.isnan(late):
        return int(quiet.stop)
    slope = 2.0 * (late - early) / (quiet.stop - quiet.start)
    index = np.arange(apex, quiet.stop)
    level = 0.5 * (early + late) + slope * (index - middle)
    departure = np.abs(record.calm[apex : quiet.stop] - level)
    loud = departure > max(_RINGING_SD * record.noise_sd, _RINGING_SHARE * float(departure[0]))
    last = int(np.flatnonzero(loud)[-1]) if loud.any() else 0
    return apex + last + record.samples(_TAIL_S)


class _Shape:
    """One blow's outline: apex and crossings, in samples (fractions of them) from the first value."""

    def __init__(self, record: _Record, number: int, low: float, high: float) -> None:
        found = record.found
        self.values, self.low, self.high = record.values, low, high
        self.apex_index = int(found.apex_index[number])
        self.begin = int(found.apex_index[number - 1]) if number else 0
        self.end = int(found.end_index[number])
        self.apex, self.peak = float(self.apex_index), float(record.values[self.apex_index])
        if self.width * BASE_OVER_FWHM >= LEAST_FOR_PARABOLA:
            self._refine()

    @property
    def width(self) -> float:
        """Full width at half maximum; NaN where a half height is never crossed."""
        return self._fall_to_half() - self.rise_at(0.5)

    def rise_at(self, share: float) -> float:
        """Where the rise to the apex last crosses a share of the height over the level before."""
        threshold = self.low + share * (self.peak - self.low)
        rise = self.values[self.begin : self.apex_index + 1]
        below = np.flatnonzero(rise <= threshold)
        return self._crossing(self.begin + int(below[-1]), threshold) if below.size else math.nan

    def _fall_to_half(self) -> float:
        threshold = self.high + 0.5 * (self.peak - self.high)
        fall = self.values[self.apex_index : self.end]
        below = np.flatnonzero(fall <= threshold)
        return self._crossing(self.apex_index + int(below[0]) - 1, threshold) if below.size else math.nan

    def _crossing(self, index: int, threshold: float) -> float:
        """Where between sample ``index`` and the next the straight line has the value ``threshold``."""
        if index < 0 or index + 1 >= self.values.size:
            return math.nan
        here, there = float(self.values[index]), float(self.values[index + 1])
        return index + ((threshold - here) / (there - here) if there != here else 0.0)

    def _refine(self) -> None:
        """Apex and peak of the parabola through the largest sample and its two neighbours."""
        if not 0 < self.apex_index < self.values.size - 1:
            return
        left, top, right = self.values[self.apex_index - 1 : self.apex_index + 2].tolist()
        bend = left - 2.0 * top + right
        if bend < 0.0 and left != top != right:
            shift = 0.5 * (left - right) / bend
            self.apex, self.peak = self.apex_index + shift, top - 0.25 * (left - right) * shift


def _impulse(record: _Record, number: int, shape: _Shape, before: _Rest, after: _Rest) -> float:
    """∫ (value − level) dt by the trapezoid rule, from just before the start to the end of the ring."""
    start = int(record.found.start_index[number])
    begin = max(before.ring_end if number else 0, start - record.samples(_LEAD_S))
    stretch = record.calm[begin : after.ring_end + 1]
    area = float(stretch.sum()) - 0.5 * float(stretch[0] + stretch[-1])
    change = _level_change(stretch, begin, shape)
    level = before.area(begin, change) + after.area(change, begin + stretch.size - 1)
    return (area - level) / record.rate_hz


def _level_change(stretch: Floats, begin: int, shape: _Shape) -> float:
    """Where the level changes, in samples from the first value: the apex of the torque that was applied.

    Ringing moves the apex that is seen, and noise does, but neither moves the centre of gravity of the blow
    over its levels (the first moment passes a linear system, delayed as the whole is). That of half a sine
    lies before its apex by step·a²/2 over the impulse, a from the apex to where the sine leaves the level:
    what the blow lacks on its second half.
    """
    step, half = shape.high - shape.low, 0.5 * BASE_OVER_FWHM * shape.width
    if not (math.isfinite(step) and math.isfinite(half)) or step == 0.0:
        return shape.apex
    index = np.arange(begin, begin + stretch.size) - shape.apex
    first, last = float(index[0]), float(index[-1])
    weighted = np.concatenate((stretch[:1] * 0.5, stretch[1:-1], stretch[-1:] * 0.5))
    area, moment = float(weighted.sum()), float(weighted @ index)
    change = 0.0
    for _ in range(_CENTRE_STEPS):
        over = area - shape.low * (change - first) - shape.high * (last - change)
        low, high = shape.low * (change**2 - first**2), shape.high * (last**2 - change**2)
        change = (moment - 0.5 * (low + high) + 0.5 * step * half**2) / over if over > 0.0 else 0.0
    return shape.apex + (change if abs(change) < half else 0.0)


def _ring_left(record: _Record, number: int, shape: _Shape) -> float:
    """Amplitude of what still rings before the next blow over the net peak; NaN after the last blow."""
    if number == len(record.found) - 1:
        return math.nan
    end = record.next_rise(number)
    late = record.values[max((shape.apex_index + end) // 2, end - record.samples(_LATE_S)) : end]
    if late.size < 2:
        return math.nan
    beyond_noise = float(np.mean(np.square(late - shape.high))) - record.noise_sd**2
    return math.sqrt(2.0 * max(0.0, beyond_noise)) / (shape.peak - shape.low)


def _clipped(record: _Record, limit: float | None) -> Flags:
    """Two equal samples at the apex that reach the limit, or the largest value of several blows."""
    apex = record.found.apex_index
    if not apex.size:
        return np.zeros(0, dtype=np.bool_)
    tops = record.values[apex]
    flat = tops == record.values[np.minimum(apex + 1, record.values.size - 1)]
    flat &= apex + 1 < record.values.size
    if limit is not None:
        return np.asarray(flat & (tops >= limit))
    at_largest = flat & (tops == tops.max())
    return np.asarray(at_largest & (at_largest.sum() > 1))
