"""A quantity recorded beside the torque, on a clock that is told apart from that of the run."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]
Flags = npt.NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class Aside:
    """Samples of one quantity, shape (n,), evenly spaced: number i came at ``start_s`` + i/``rate_hz``.

    Times are the run's, known to ``start_u_s``. Gaps are bridged by straight lines; ``missing`` marks them.
    ``clipped`` marks samples at the limit of what recorded them. ``u_relative`` is the standard uncertainty
    of the scale as a share, ``u_zero`` that of the zero in the unit of the values.
    """

    values: Floats
    rate_hz: float
    start_s: float
    missing: Flags
    clipped: Flags
    u_relative: float = 0.0
    u_zero: float = 0.0
    start_u_s: float = 0.0

    @property
    def end_s(self) -> float:
        """Time of the last sample."""
        return self.start_s + (len(self.values) - 1) / self.rate_hz

    @property
    def times_s(self) -> Floats:
        """Time of each sample, shape (n,)."""
        return np.asarray(self.start_s + np.arange(len(self.values)) / self.rate_hz)

    def covers(self, from_s: float, to_s: float) -> bool:
        """Whether it lasts over a stretch, to one sample."""
        return self.start_s <= from_s + 1.0 / self.rate_hz and self.end_s >= to_s - 1.0 / self.rate_hz

    def stretch(self, from_s: float, to_s: float) -> slice:
        """The samples from one time to another, both included as far as there are any."""
        first = math.ceil((from_s - self.start_s) * self.rate_hz - 1e-6)
        last = math.floor((to_s - self.start_s) * self.rate_hz + 1e-6)
        return slice(max(0, first), max(0, min(len(self.values), last + 1)))

    def between(self, from_s: float, to_s: float) -> Floats:
        """The values of that stretch."""
        return self.values[self.stretch(from_s, to_s)]

    def there(self, from_s: float, to_s: float) -> Floats:
        """The values of that stretch without those that are missing."""
        part = self.stretch(from_s, to_s)
        return np.asarray(self.values[part][~self.missing[part]])

    def missing_share(self, from_s: float, to_s: float) -> float:
        """Share of that stretch that is missing, 0 to 1; 1 where it holds no sample."""
        marks = self.missing[self.stretch(from_s, to_s)]
        return float(np.mean(marks)) if marks.size else 1.0

    def clipped_in(self, from_s: float, to_s: float) -> int:
        """How many samples of that stretch lie at the limit."""
        return int(np.count_nonzero(self.clipped[self.stretch(from_s, to_s)]))

    def at(self, times_s: Floats) -> Floats:
        """Values at any times within it, by straight lines."""
        return np.asarray(np.interp(times_s, self.times_s, self.values))

    def shifted(self, by_s: float) -> Aside:
        """The same samples, taken to have come later by so much."""
        return replace(self, start_s=self.start_s + by_s)

    def mean(self, from_s: float, to_s: float) -> float:
        """Time mean between two times that need not fall on samples."""
        return float(self.means(np.array([from_s, to_s]))[0])

    def integral(self, from_s: float, to_s: float) -> float:
        """Time integral between two times, in the unit times seconds."""
        return self.mean(from_s, to_s) * (to_s - from_s)

    def means(self, edges_s: Floats) -> Floats:
        """Time means between ascending times, shape (m,) for (m + 1,), by the trapezoid rule.

        At least two samples are needed; what lies outside them goes on in a straight line.
        """
        steps = 0.5 * (self.values[1:] + self.values[:-1]) / self.rate_hz
        upto = np.concatenate(([0.0], np.cumsum(steps)))
        at = (edges_s - self.start_s) * self.rate_hz
        place = np.clip(np.floor(at), 0, len(self.values) - 2).astype(np.int64)
        into_s = (at - place) / self.rate_hz
        slope = (self.values[place + 1] - self.values[place]) * self.rate_hz
        whole = upto[place] + into_s * self.values[place] + 0.5 * slope * into_s**2
        return np.asarray(np.diff(whole) / np.diff(edges_s))


def aside_of(
    pieces: Sequence[tuple[int, npt.NDArray[np.int32]]],
    *,
    rate_hz: float,
    start_s: float,
    per_count: float,
    zero_counts: float = 0.0,
    limits: tuple[int, int] = (-(2**31), 2**31 - 1),
    u_relative: float = 0.0,
    u_zero: float = 0.0,
    start_u_s: float = 0.0,
) -> Aside:
    """From counts (int32) in stretches without a gap, by index of their first sample; at least one sample.

    ``start_s`` is the time of index 0; ``limits`` are the counts that nothing goes beyond.
    """
    index = np.concatenate([first + np.arange(len(counts)) for first, counts in pieces])
    counts = np.concatenate([part for _, part in pieces]).astype(np.float64)
    first, every = int(index[0]), np.arange(int(index[0]), int(index[-1]) + 1)
    missing = np.ones(len(every), dtype=np.bool_)
    missing[index - first] = False
    clipped = np.zeros(len(every), dtype=np.bool_)
    clipped[index - first] = (counts <= limits[0]) | (counts >= limits[1])
    return Aside(
        values=np.asarray((np.interp(every, index, counts) - zero_counts) * per_count),
        rate_hz=rate_hz,
        start_s=start_s + first / rate_hz,
        missing=missing,
        clipped=clipped,
        u_relative=u_relative,
        u_zero=u_zero,
        start_u_s=start_u_s,
    )
