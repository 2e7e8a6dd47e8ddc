"""Blows whose tops are cut off: by the converter's limit, or by an amplifier before it that is at its end.

The first is known by the limit. The second shows as equal samples at the largest value of several blows, more
of them than the round top of a blow and the steps of the converter make.
"""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]
Indices = npt.NDArray[np.int64]
Flags = npt.NDArray[np.bool_]

SEVERAL = 2
"""Blows that reach the same largest value."""
_MORE = 1.5
"""So many times more equal samples than a round top has are a flat one."""
_FURTHEST = 64


def cut_off(values: Floats, apex: Indices, highest: float, step: float, samples: float) -> Flags:
    """Which blows are cut off, shape (m,); ``apex`` are their largest samples, indices into ``values`` (n,).

    ``highest`` is the largest value the converter can give, ``step`` one of its steps, both in the unit of
    the values; ``samples`` are on the base of a blow.
    """
    tops = values[apex]
    at_limit = tops >= highest
    same = tops == tops.max(initial=-math.inf)
    if same.sum() < SEVERAL or at_limit.any():
        return np.asarray(at_limit)
    # half a sine stays within a step of its top for 2·N/π·√(2·step/height) samples
    height = max(float(tops.max()), step)
    round_top = 1.0 + 2.0 * samples / math.pi * math.sqrt(2.0 * step / height)
    flat = np.array([_equal_samples(values, at) > _MORE * round_top for at in apex[same].tolist()])
    cut = np.zeros(len(apex), dtype=np.bool_)
    cut[same] = flat & (flat.sum() >= SEVERAL)
    return cut


def _equal_samples(values: Floats, apex: int) -> int:
    """Samples in a row, around this one, that are equal to it."""
    near = values[max(0, apex - _FURTHEST) : apex + _FURTHEST + 1] == values[apex]
    at = min(apex, _FURTHEST)
    other = np.flatnonzero(~near)
    before, after = other[other < at], other[other > at]
    first = int(before[-1]) + 1 if before.size else 0
    last = int(after[0]) if after.size else near.size
    return last - first
