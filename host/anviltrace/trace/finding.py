"""Blows found in a record.

A blow is found as something that rises, within a few milliseconds, well above the level of the
milliseconds before it, and well above anything that happened in those. So neither the level (drift, a
joint that keeps more with every blow, one that is being loosened) nor the ringing of the rig after a blow
is taken for one, and no height has to be set. Nothing is filtered, unless the rig still rings when the
next blow comes: then blows are sought once more with the ring taken out, since a blow may fall where it
cancels the ring.

Values are counted along the rotation: a blow goes upwards. What is asked for is one contiguous piece of a
record; a record with gaps is looked at piece by piece.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt

from anviltrace.trace.doubles import with_doubles
from anviltrace.trace.kernels import (
    extremes_of,
    largest_of,
    last_below,
    medians_of,
    power_of,
    tops_of_groups,
)
from anviltrace.trace.level import median
from anviltrace.trace.ring import Ring, estimate_ring, without_ring

Floats = npt.NDArray[np.float64]
Indices = npt.NDArray[np.int64]
Flags = npt.NDArray[np.bool_]
Values = npt.NDArray[Any]

LEAST_RISE_SD = 6.0
"""A blow rises above its level by this many standard deviations of the noise at least."""
OVER_RING = 1.1
OVER_RING_SD = 3.0
"""And above this many times the largest excursion of the milliseconds before, and this much noise."""
START_SHARE = 0.05
"""A blow starts where it has risen by this share of its height."""
LINGERING_SHARE = 0.1
"""A ring of which so much is left after the usual interval is taken out."""
RING_LEFT_OVER = 0.1
"""Share of a ring that may still be there when it has been taken out."""

_RINGING_SD = 1.5
"""Milliseconds whose root mean square is more than so many deviations of the noise hold a ring or a blow."""
_FOOT_SD = 3.0

_BLOCK_S = 0.0005
_BEFORE_S = 0.0025
_LEAST_BEFORE = 5
"""Blocks that make the milliseconds before; one more block lies between them and the one looked at."""
_LEAST_SAMPLES_BEFORE = 8
_SWINGS, _BEATS = 1.2, 0.6
_LONGEST_BEFORE_S = 0.006
"""A ring is seen in full after so many swings or beats; the milliseconds before are made longer for it."""
_LEAST_NOISE_LEFT = 0.75
"""Taking a ring out averages noise away, but small steps of the level do not become blows by that."""
_FRESH_HEIGHT = 1.2
_FRESH_S = 0.008
_MOST_DRIFT_SD = 3.0
_ENOUGH = 50
"""Samples that give a level; taking more of a window's costs time only."""
_ENOUGH_RESTS = 24
"""Behind fewer blows the ring is estimated once more, from their apexes: every sample of a rest counts."""
_TOP_S = 0.002
"""A blow has reached its apex this long after it last rose above everything before."""
_LONGEST_RISE_S = 0.004
"""What keeps rising for longer is a change of level, not a blow."""
_WHOLE_RISES = 3
"""A blow is over as long after its apex as it rose before; then the level shows for twice that."""
_ROUNDING = 1e-6
"""Share of the range below which values without noise differ by rounding only."""


@dataclass(frozen=True, slots=True)
class Found:
    """Where the blows are, in samples from the first value; arrays of shape (m,).

    ``start_index`` is the first sample of the rise, ``apex_index`` the largest value, ``end_index`` one
    past the last sample before the next blow starts (or before the values end). ``threshold`` is the least
    rise above the level, in the unit of the values. ``ring`` is what rings in the rests, None where nothing
    does noticeably; ``ring_known`` says that it is the one known beforehand.
    """

    start_index: Indices
    apex_index: Indices
    end_index: Indices
    threshold: float
    ring: Ring | None = None
    ring_known: bool = False

    def __len__(self) -> int:
        return len(self.apex_index)

    def part(self, blows: slice) -> Found:
        """These of the blows; each still ends where the next one that was found starts."""
        return replace(
            self,
            start_index=self.start_index[blows],
            apex_index=self.apex_index[blows],
            end_index=self.end_index[blows],
        )

    @property
    def cut(self) -> bool:
        """Whether the values end in the middle of the last blow, or too soon behind it to show its level:
        within three times its rise."""
        if not len(self):
            return False
        apex, rise = self.apex_index[-1], self.apex_index[-1] - self.start_index[-1]
        return bool(self.end_index[-1] - apex <= _WHOLE_RISES * rise)


def find_blows(
    values: npt.ArrayLike, rate_hz: float, noise_sd: float, rotation: int = 1, ring: Ring | None = None
) -> Found:
    """Find the blows in one contiguous piece of a record.

    ``values``: shape (n,), whole counts or floats, unfiltered; ``rotation`` is +1 when blows go upwards in
    them, else -1. ``noise_sd`` is the standard deviation of a quiet stretch in the same unit, hum included.
    ``ring`` is how the rig is known to ring; without it the ring is estimated.
    Exact where the net peak is at least ten times the noise and the ring halves from blow to blow; second
    strikes closer than 3 ms count with their blow where the blows before and after do not tell them apart.
    Pieces too short to hold a blow and what precedes it give none. ValueError for a rate or noise that is
    negative or not finite.
    """
    samples = _along(np.asarray(values), rotation)
    if not (math.isfinite(rate_hz) and rate_hz > 0.0 and math.isfinite(noise_sd) and noise_sd >= 0.0):
        raise ValueError(f"no blows can be sought at {rate_hz} samples a second with noise {noise_sd}")
    blocks = _Blocks(samples, rate_hz, noise_sd)
    tops = _tops(blocks)
    rings, lingers = _ring(blocks, tops, ring)
    rises = _rises_without(rings, blocks) if lingers and rings else _rises(blocks, tops, OVER_RING_SD)
    found = with_doubles(samples, rate_hz, _found(blocks, rises))
    if len(found) < _ENOUGH_RESTS:
        rings = estimate_ring(samples, rate_hz, found.apex_index, noise_sd, ring)
    return replace(found, ring=rings, ring_known=rings is not None and rings == ring)


def _along(values: Values, rotation: int) -> Values:
    """Values in which blows go upwards."""
    return values if rotation > 0 else np.negative(values, dtype=np.result_type(values, np.int32))


def _rises_without(ring: Ring, blocks: _Blocks) -> _Rises:
    """Where blows rise in a record with its ring taken out."""
    rate_hz = blocks.rate_hz
    still = without_ring(blocks.values, rate_hz, ring)
    before_s = min(max(_BEFORE_S, _seen_after_s(ring, rate_hz)), _LONGEST_BEFORE_S)
    noise = blocks.noise_sd * max(still.noise, _LEAST_NOISE_LEFT)
    calm = _Blocks(still.values, rate_hz / still.length, noise, before_s)
    rises = _rises(calm, _over_ring(_tops(calm), calm, blocks, still.length), OVER_RING_SD)
    return rises.stretched(still.length)


def _over_ring(tops: _Tops, calm: _Blocks, blocks: _Blocks, factor: int) -> _Tops:
    """Tops in a record whose ring is taken out, counting :data:`RING_LEFT_OVER` of that ring as still there.

    ``factor`` samples of ``blocks`` make one of ``calm``.
    """
    first = (tops.block - calm.before - 1) * calm.length * factor
    low, high = extremes_of(blocks.values, first, first + calm.before * calm.length * factor)
    return replace(tops, excursion=np.maximum(tops.excursion, RING_LEFT_OVER * 0.5 * (high - low)))


def _ring(blocks: _Blocks, tops: _Tops, known: Ring | None) -> tuple[Ring | None, bool]:
    """The ring, and whether it may hide the next blow or be taken for one: it lasts, or swings or beats
    slowly."""
    likely = _rises(blocks, tops, 0.5 * OVER_RING_SD)
    risen = likely.end[_fresh(likely, blocks.rate_hz)]
    ring = estimate_ring(blocks.values, blocks.rate_hz, risen, blocks.noise, known)
    if ring is None:
        return None, False
    interval_s = median(np.diff(risen)) / blocks.rate_hz if risen.size > 1 else math.inf
    lasts = ring.left_after(interval_s) > LINGERING_SHARE
    slow = _seen_after_s(ring, blocks.rate_hz) > _BEFORE_S
    return ring, lasts or (slow and ring.left_after(_BEFORE_S) > LINGERING_SHARE)


def _seen_after_s(ring: Ring, rate_hz: float) -> float:
    """Time that shows a sampled ring in full: a swing, or a beat where it is close to half the rate."""
    beat_hz = max(1e-3 * rate_hz, 0.5 * rate_hz - ring.frequency_hz)
    return max(_SWINGS / ring.frequency_hz, _BEATS / beat_hz)


def _fresh(rises: _Rises, rate_hz: float) -> Flags:
    """Rises that follow none for a while or are higher than the last: not the swings of one ring."""
    if rises.first.size < 2:
        return np.ones(rises.first.size, dtype=np.bool_)
    higher = rises.height[1:] > _FRESH_HEIGHT * rises.height[:-1]
    return np.concatenate(([True], higher | (np.diff(rises.end) > _FRESH_S * rate_hz)))


class _Blocks:
    """A record in short blocks of samples: the top of each, and the noise."""

    def __init__(self, values: Values, rate_hz: float, noise_sd: float, before_s: float = _BEFORE_S) -> None:
        self.values, self.rate_hz, self.noise_sd = values, rate_hz, noise_sd
        self.length = max(1, round(_BLOCK_S * rate_hz))
        wanted = max(before_s * rate_hz, _LEAST_SAMPLES_BEFORE) / self.length
        self.before = max(_LEAST_BEFORE, round(wanted))
        tops, left = tops_of_groups(values, self.length), values.size % self.length
        self.tops = np.append(tops, values[-left:].max()) if left else tops
        spread = float(np.ptp(self.tops)) if self.tops.size else 0.0
        self.noise = max(noise_sd, _ROUNDING * spread)

    def blocks_in(self, seconds: float) -> int:
        """Whole blocks, at least one, that make a time."""
        return max(1, round(seconds * self.rate_hz / self.length))

    def stretch_before(self, block: Indices) -> tuple[Indices, Indices]:
        """First samples and ends of the milliseconds before blocks."""
        first = (block - self.before - 1) * self.length
        return first, first + self.before * self.length


@dataclass(frozen=True, slots=True)
class _Rises:
    """Where blows rise, samples ``first`` to before ``end``, over which level, and how high; shape (m,)."""

    first: Indices
    end: Indices
    level: Floats
    height: Floats

    def stretched(self, factor: int) -> _Rises:
        """The same in a record with ``factor`` samples for each of these."""
        return _Rises(self.first * factor, self.end * factor, self.level, self.height)


@dataclass(frozen=True, slots=True)
class _Tops:
    """Blocks that rise above all of the milliseconds before them; arrays of shape (m,).

    ``block`` numbers them, ``height`` is their top over ``level``, the median of those milliseconds, in
    which values departed from it by up to ``excursion`` and with the standard deviation ``spread``.
    """

    block: Indices
    level: Floats
    height: Floats
    drift: Floats
    excursion: Floats
    ringing: Flags
    least_rise: float


def _tops(blocks: _Blocks) -> _Tops:
    tops, noise, skip = blocks.tops, blocks.noise, blocks.before + 1
    if tops.size <= skip:
        none, nothing = np.empty(0, np.int64), np.empty(0)
        return _Tops(none, nothing, nothing, nothing, nothing, none > 0, LEAST_RISE_SD * noise)
    highest, lowest = tops[: tops.size - skip].copy(), tops[: tops.size - skip].copy()
    for back in range(1, blocks.before):
        np.maximum(highest, tops[back : tops.size - skip + back], out=highest)
        np.minimum(lowest, tops[back : tops.size - skip + back], out=lowest)
    above = tops[skip:] > highest + noise
    above &= tops[skip:] > lowest + (LEAST_RISE_SD - 2.0) * noise
    block = np.flatnonzero(above) + skip
    values, (first, end) = blocks.values, blocks.stretch_before(block)
    length = blocks.before * blocks.length
    step = -(-length // _ENOUGH)
    level = medians_of(values, first, end, step)
    ringing = power_of(values, first, end, level, step) > (_RINGING_SD * noise) ** 2
    low, high = extremes_of(values, first, end)
    excursion = np.maximum(high - level, level - low)
    least_rise = LEAST_RISE_SD * noise * math.sqrt(1.0 + 0.5 * math.pi / -(-length // step))
    height, drift = tops[block] - level, np.zeros(block.size)
    weak = height <= least_rise + _MOST_DRIFT_SD * noise
    drift[weak] = _drift(blocks, block[weak])
    return _Tops(block, level, height, drift, excursion, ringing, least_rise)


def _drift(blocks: _Blocks, block: Indices) -> Floats:
    """How far a rising level has moved from the middle of the milliseconds before to the blocks ``block``.

    From the medians of two stretches, each twice as long as those milliseconds; 0 where a record is too
    short or the level falls, and never more than hides no blow: steps of the level at blows are no drift.
    """
    half = 2 * blocks.before * blocks.length
    if blocks.values.size < 2 * half or not block.size:
        return np.zeros(block.size)
    first = (block - 1) * blocks.length - 2 * half
    begin, step = np.maximum(first, 0), -(-2 * half // _ENOUGH)
    early, late = (medians_of(blocks.values, at, at + half, step) for at in (begin, begin + half))
    rise = late - early
    passed = (0.5 * blocks.before + 1.5) / (2.0 * blocks.before)
    return np.where(first >= 0, np.clip(passed * rise, 0.0, _MOST_DRIFT_SD * blocks.noise), 0.0)


def _rises(blocks: _Blocks, tops: _Tops, over_ring_sd: float) -> _Rises:
    """Tops that only a blow makes, successive ones as one rise; long slow rises and drift are left out."""
    over_ring = OVER_RING * tops.excursion + over_ring_sd * blocks.noise
    least = np.maximum(np.where(tops.ringing, over_ring, 0.0), tops.least_rise)
    high = np.flatnonzero(tops.height > least)
    if not high.size:
        return _Rises(high, high, tops.level[:0], tops.height[:0])
    rising, height, level = tops.block[high], tops.height[high], tops.level[high]
    first = np.concatenate(([0], np.flatnonzero(np.diff(rising) > blocks.blocks_in(_TOP_S)) + 1))
    last = np.append(first[1:], rising.size) - 1
    blow = rising[last] - rising[first] <= blocks.blocks_in(_LONGEST_RISE_S)
    blow &= np.logical_or.reduceat(height - tops.drift[high] > least[high], first)
    top = np.maximum.reduceat(height, first)[blow]
    first, last = first[blow], last[blow]
    return _Rises(rising[first] * blocks.length, (rising[last] + 1) * blocks.length, level[first], top)


def _found(blocks: _Blocks, rises: _Rises) -> Found:
    """First sample of each rise and that of its largest value, which comes at its end or soon after."""
    threshold = LEAST_RISE_SD * blocks.noise
    if not rises.first.size:
        return Found(rises.first, rises.first, rises.first, threshold)
    earliest = np.maximum(rises.first - blocks.length, 0)
    latest = np.minimum(rises.end + blocks.blocks_in(_TOP_S) * blocks.length, blocks.values.size)
    apex = largest_of(blocks.values, earliest, latest)
    height = blocks.values[apex] - rises.level
    foot = rises.level + np.maximum(START_SHARE * height, _FOOT_SD * blocks.noise)
    below = last_below(blocks.values, earliest, apex, foot, 2 * blocks.length)
    start = np.where(below < 0, earliest, below + 1)
    return _in_order(start, apex, blocks.values.size, threshold)


def _in_order(start: Indices, apex: Indices, size: int, threshold: float) -> Found:
    """Rises that share their largest value are one blow; each starts after the apex of the one before."""
    own = np.append(True, np.diff(apex) > 0)
    start, apex = start[own], apex[own]
    start[1:] = np.maximum(start[1:], apex[:-1] + 1)
    return Found(start, apex, np.append(start[1:], size), threshold)
