"""Blows found in a record.

A blow is found as something that rises, within a few milliseconds, well above the level of the
milliseconds before it, and well above anything that happened in those. So neither the level (drift, a
joint that keeps more with every blow, one that is being loosened) nor the ringing of the rig after a blow
is taken for one, and no height has to be set. Nothing is filtered.

All values here are counted along the rotation: a blow goes upwards. What is asked for is one contiguous
piece of a record; a record with gaps is looked at piece by piece.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]
Indices = npt.NDArray[np.int64]
Values = npt.NDArray[Any]

LEAST_RISE_SD = 6.0
"""A blow rises above its level by this many standard deviations of the noise at least."""
OVER_RING = 1.1
OVER_RING_SD = 3.0
"""And above this many times the largest excursion of the milliseconds before, and this much noise."""

START_SHARE = 0.05
"""A blow starts where it has risen by this share of its height."""

_BLOCK_S = 0.0005
_BEFORE_S = 0.0025
_LEAST_BEFORE = 5
"""Blocks that make the milliseconds before; one more block lies between them and the one looked at."""
_ENOUGH = 25
"""Samples that give a level; taking more of a window's costs time only."""
_TOP_S = 0.002
"""A blow has reached its apex this long after it last rose above everything before."""
_LONGEST_RISE_S = 0.004
"""What keeps rising for longer is a change of level, not a blow."""


@dataclass(frozen=True, slots=True)
class Found:
    """Where the blows are, in samples from the first value; arrays of shape (m,).

    ``start_index`` is the first sample of the rise, ``apex_index`` the largest value, ``end_index`` one
    past the last sample before the next blow starts (or before the values end). ``threshold`` is the least
    rise above the level, in the unit of the values.
    """

    start_index: Indices
    apex_index: Indices
    end_index: Indices
    threshold: float

    def __len__(self) -> int:
        return len(self.apex_index)


def find_blows(values: npt.ArrayLike, rate_hz: float, noise_sd: float, rotation: int = 1) -> Found:
    """Find the blows in one contiguous piece of a record.

    ``values``: shape (n,), whole counts or floats, unfiltered; ``rotation`` is +1 when blows go upwards in
    them, else -1. ``noise_sd`` is the standard deviation of a quiet stretch in the same unit, hum included.
    Exact where the net peak is at least ten times the noise and the ring halves from blow to blow; blows
    closer than 3 ms count as one. Pieces too short to hold a blow and what precedes it give none.
    ValueError for a rate or noise that is negative or not finite.
    """
    values = np.asarray(values)
    if not (np.isfinite(rate_hz) and rate_hz > 0.0 and np.isfinite(noise_sd) and noise_sd >= 0.0):
        raise ValueError(f"no blows can be sought at {rate_hz} samples a second with noise {noise_sd}")
    blocks = _Blocks(values, rate_hz, rotation)
    noise = max(noise_sd, blocks.least_noise)
    rising, level = _rising_blocks(blocks, noise)
    first, last = _groups(rising, blocks)
    start, apex = _start_and_apex(blocks, rising[first], rising[last], level[first], noise)
    end = np.append(start[1:], values.size) if start.size else start
    return Found(start, apex, end.astype(np.int64), LEAST_RISE_SD * noise)


class _Blocks:
    """Largest value along the rotation of each short block of samples, and windows of the samples."""

    def __init__(self, values: Values, rate_hz: float, rotation: int) -> None:
        self.values, self.rate_hz, self.rotation = values, rate_hz, rotation
        self.length = max(1, round(_BLOCK_S * rate_hz))
        self.before = max(_LEAST_BEFORE, round(_BEFORE_S * rate_hz / self.length))
        starts = np.arange(0, values.size, self.length)
        largest = np.maximum if rotation > 0 else np.minimum
        tops = largest.reduceat(values, starts) if values.size else values
        self.tops = tops if rotation > 0 else -tops
        spread = float(np.ptp(self.tops)) if self.tops.size else 0.0
        self.least_noise = 1e-6 * spread
        """Noise-free values still have roundings; anything smaller than this is none of our business."""

    def blocks_in(self, seconds: float) -> int:
        """Whole blocks, at least one, that cover a time."""
        return max(1, round(seconds * self.rate_hz / self.length))

    def windows(self, first_index: Indices, length: int) -> Values:
        """Stretches of ``length`` samples along the rotation, shape (m, length)."""
        return self.rotation * np.lib.stride_tricks.sliding_window_view(self.values, length)[first_index]


def _rising_blocks(blocks: _Blocks, noise: float) -> tuple[Indices, Floats]:
    """Blocks whose top rises above all that was before as only a blow does, and the level before each."""
    tops, skip = blocks.tops, blocks.before + 1
    if tops.size <= skip:
        return np.empty(0, np.int64), np.empty(0)
    earlier = [tops[back : tops.size - skip + back] for back in range(blocks.before)]
    rising = np.flatnonzero(tops[skip:] > np.maximum.reduce(earlier) + OVER_RING_SD * noise) + skip
    window = blocks.windows((rising - skip) * blocks.length, blocks.before * blocks.length)
    level = np.median(window[:, :: 1 + window.shape[1] // _ENOUGH], axis=1)
    excursion = np.maximum(window.max(axis=1) - level, level - window.min(axis=1))
    needed = np.maximum(LEAST_RISE_SD * noise, OVER_RING * excursion + OVER_RING_SD * noise)
    blow = tops[rising] - level > needed
    return rising[blow], level[blow]


def _groups(rising: Indices, blocks: _Blocks) -> tuple[Indices, Indices]:
    """Where in ``rising`` each blow begins and ends, both included; long slow rises are left out."""
    if not rising.size:
        return rising, rising
    apart = np.flatnonzero(np.diff(rising) > blocks.blocks_in(_TOP_S))
    first = np.concatenate(([0], apart + 1))
    last = np.concatenate((apart, [rising.size - 1]))
    quick = rising[last] - rising[first] <= blocks.blocks_in(_LONGEST_RISE_S)
    return first[quick], last[quick]


def _start_and_apex(
    blocks: _Blocks, first: Indices, last: Indices, level: Floats, noise: float
) -> tuple[Indices, Indices]:
    """First sample of each rise and that of its largest value, for blows that rise in the blocks given."""
    if not first.size:
        return first, first
    start = (first - 1) * blocks.length
    end = np.minimum((last + 1 + blocks.blocks_in(_TOP_S)) * blocks.length, blocks.values.size)
    longest = int((end - start).max())
    origin = np.minimum(start, blocks.values.size - longest)
    window = blocks.windows(origin, longest)
    index = origin[:, np.newaxis] + np.arange(longest)
    outside = (index < start[:, np.newaxis]) | (index >= end[:, np.newaxis])
    window[outside] = window.min()
    apex = window.argmax(axis=1)
    height = np.take_along_axis(window, apex[:, np.newaxis], axis=1)[:, 0] - level
    foot = level + np.maximum(START_SHARE * height, OVER_RING_SD * noise)
    below = (window <= foot[:, np.newaxis]) & (index < (origin + apex)[:, np.newaxis])
    return np.where(below, index + 1, start[:, np.newaxis]).max(axis=1), origin + apex
