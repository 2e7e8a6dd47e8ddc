"""Curves as they are drawn: every extreme kept, whatever the number of points.

A curve of many samples is drawn as a zigzag through the least and the greatest sample of each stretch, in
the order in which they came, so that no peak is lost. (Downsampling by largest triangles loses peaks.)
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

Numbers = npt.NDArray[np.float64]

STEPS = 32767
"""Steps of a packed sample on either side of zero: 16 bits with the lowest code kept for missing ones."""
MISSING = -32768


@dataclass(frozen=True, slots=True, eq=False)
class Curve:
    """Samples of a run at a steady rate, along the rotation of the tool.

    ``values`` has the shape (n,), in ``unit`` (N·m, mV/V or counts), NaN where samples are missing;
    ``first_s`` is the time of the first one after time zero. ``condensed`` is the number of samples that
    each pair of values stands for, 1 where they are the samples themselves.
    """

    run_id: str
    values: Numbers
    rate_hz: float
    first_s: float
    unit: str
    condensed: int = 1

    @property
    def last_s(self) -> float:
        """Time of the last sample."""
        return self.first_s + max(len(self.values) - 1, 0) / self.rate_hz

    def times_s(self) -> Numbers:
        """Time of each sample after time zero, shape (n,)."""
        return self.first_s + np.arange(len(self.values)) / self.rate_hz

    def between(self, start_s: float, end_s: float) -> Curve:
        """The stretch from ``start_s`` to ``end_s`` with a sample more on either side; it may be empty."""
        last = len(self.values)
        first = min(max(int(np.floor((start_s - self.first_s) * self.rate_hz)), 0), last)
        end = min(max(int(np.ceil((end_s - self.first_s) * self.rate_hz)) + 1, first), last)
        return replace(self, values=self.values[first:end], first_s=self.first_s + first / self.rate_hz)


def extremes(values: Numbers, size: int) -> tuple[npt.NDArray[np.int64], Numbers]:
    """Indices and values of the least and the greatest of every ``size`` samples, in the order they came.

    Both have the shape (2·ceil(n/size),). A stretch without any sample gives NaN twice. ``size`` is at
    least 1.
    """
    blocks = -(-len(values) // size)
    padded = np.full(blocks * size, np.nan)
    padded[: len(values)] = values
    rows = padded.reshape(blocks, size)
    low = np.where(np.isnan(rows), np.inf, rows).argmin(axis=1)
    high = np.where(np.isnan(rows), -np.inf, rows).argmax(axis=1)
    within = np.sort(np.stack([low, high], axis=1), axis=1)
    picked = np.take_along_axis(rows, within, axis=1)
    return (within + size * np.arange(blocks)[:, None]).ravel(), picked.ravel()


def zigzag(curve: Curve, points: int) -> tuple[Numbers, Numbers]:
    """Times and values to draw ``curve`` with about ``points`` points, all samples where they are so few."""
    if len(curve.values) <= points:
        return curve.times_s(), curve.values
    index, values = extremes(curve.values, -(-2 * len(curve.values) // points))
    return curve.first_s + index / curve.rate_hz, values


def condense(curve: Curve, factor: int) -> Curve:
    """The curve with each ``factor`` samples replaced by their least and greatest, evenly spaced.

    The times of the extremes are then known to ``factor`` samples only. A factor below 3 changes nothing.
    """
    if factor < 3:
        return curve
    _, values = extremes(curve.values, factor)
    rate_hz = 2.0 * curve.rate_hz / factor
    shift_s = (factor / 4.0 - 0.5) / curve.rate_hz
    return replace(curve, values=values, rate_hz=rate_hz, first_s=curve.first_s + shift_s, condensed=factor)


def pack(curve: Curve) -> tuple[float, bytes]:
    """The step, and the samples as whole numbers of steps: int16, little-endian, ``MISSING`` for none.

    A sample is off by at most half a step, which is 1/65534 of the largest magnitude.
    """
    known = curve.values[np.isfinite(curve.values)]
    step = float(np.max(np.abs(known), initial=0.0)) / STEPS or 1.0
    codes = np.where(np.isnan(curve.values), MISSING, np.round(np.nan_to_num(curve.values) / step))
    return step, codes.astype("<i2").tobytes()
