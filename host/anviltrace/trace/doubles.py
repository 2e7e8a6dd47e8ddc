"""Second strikes close to a blow, too close to be found by the milliseconds before them.

All blows of a record ring alike. So the record's own typical outline, the median over all blows of what lies
around the apex as a share of the net peak, is what a blow is expected to look like, ring included; what rises
above it by a fifth of the net peak and more, and as much above the blows next to it, is another strike. It
may come first: of two close ones the finder takes the higher. Needs some blows to tell what is typical, and a
rig whose own swings are lower than half a blow.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from anviltrace.trace.kernels import largest_of, medians_of, shares_of
from anviltrace.trace.level import SD_PER_MAD, median, medians

if TYPE_CHECKING:
    from anviltrace.trace.finding import Found

Floats = npt.NDArray[np.float64]
Flags = npt.NDArray[np.bool_]
Indices = npt.NDArray[np.int64]
Values = npt.NDArray[np.floating] | npt.NDArray[np.integer]

LEAST_BLOWS = 5
"""Fewer blows do not tell what is typical."""
LEAST_EXCESS = 0.2
"""Another strike stands out by this share of the net peak at least (common practice for doubles)."""
_AFTER_S, _BEFORE_S = 0.0085, 0.004
"""How long after and before the apex another strike is sought; others are found as blows of their own."""
_CLEAR = 1.6
"""From so many half widths after an apex on; before that the blow itself falls."""
MOST_SWING = 0.5
"""Where the rig swings up again to this share of the net peak, a swing may look like a strike."""
_SPREAD_SD = 5.5
"""Blows differ and there is noise: a strike stands out by so many standard deviations of that, too."""
_LEVEL_S, _GUARD_S = 0.006, 0.0002
"""The level before a blow is read over this long, up to a little before its rise."""
_ENOUGH = 60
"""Blows that give what is typical; taking more costs time only."""
_ENOUGH_QUIET = 30
"""The same for samples that give a level."""


def with_doubles(values: Values, rate_hz: float, found: Found) -> Found:
    """``found`` and the strikes close to its blows; ``values``, shape (n,), along the rotation."""
    if len(found) < LEAST_BLOWS:
        return found
    step = _step(found)
    before = min(round(_BEFORE_S * rate_hz), int(found.apex_index[0])) // step
    after = min(round(_AFTER_S * rate_hz), int(values.size - 1 - found.apex_index[-1])) // step
    if not after:
        return found
    columns = _Columns(before, after, step)
    low = _level_before(values, rate_hz, found)
    outline = _outlines(values, found, columns, low)
    some = outline[:: -(-len(found) // _ENOUGH)]
    typical = _column_medians(some)
    if _swing(typical[before:]) > MOST_SWING:
        return found
    over = outline - _usual(typical)
    stands_out = over > _most_over(some, typical)
    which = np.flatnonzero(stands_out.any(axis=1))
    if not which.size:
        return found
    stands_out = stands_out[which] & (outline[which] - _usual(_beside(outline, which)) > LEAST_EXCESS)
    outline = outline[which]
    net = (values[found.apex_index] - low)[which, np.newaxis]
    stands_out &= over[which] * net > found.threshold
    stands_out &= _room(outline, found, which, columns)
    earlier, later = (
        _strikes(found, outline, which, stands_out & side, columns)
        for side in (columns.around < 0, columns.around > 0)
    )
    earlier, later = ((feet, _largest(values, tops, step)) for feet, tops in (earlier, later))
    starts, apexes = (
        np.concatenate(one) for one in zip((found.start_index, found.apex_index), earlier, later, strict=True)
    )
    return _in_order(found, starts, apexes)


@dataclass(frozen=True, slots=True)
class _Columns:
    """Samples around an apex that are looked at: ``before`` and ``after`` it so many, ``step`` apart."""

    before: int
    after: int
    step: int

    @property
    def around(self) -> Indices:
        """Number of each column, 0 at the apex."""
        return np.arange(-self.before, self.after + 1)


def _step(found: Found) -> int:
    """Every so many samples are enough to see a strike: a fifth of the usual time from start to apex."""
    return max(1, int(median(found.apex_index - found.start_index)) // 5)


def _outlines(values: Values, found: Found, columns: _Columns, low: Floats) -> Floats:
    """What lies around each apex as a share of the net peak, shape (blows, before + 1 + after).

    Over the level ``low`` before the blow up to the apex, over the level after it from there on: a joint may
    hold much more than before.
    """
    high = _level_after(values, found, columns)
    return shares_of(values, found.apex_index, columns.step * columns.around, low, high)


def _level_before(values: Values, rate_hz: float, found: Found) -> Floats:
    guard, length = (max(1, round(seconds * rate_hz)) for seconds in (_GUARD_S, _LEVEL_S))
    length = min(length, values.size)
    first = np.clip(found.start_index - guard - length, 0, values.size - length)
    return medians_of(values, first, first + length, -(-length // _ENOUGH_QUIET))


def _level_after(values: Values, found: Found, columns: _Columns) -> Floats:
    """Median of the second half of what follows each apex, as far as it is before the next blow."""
    most, apex = columns.after * columns.step, found.apex_index
    last = np.clip(found.end_index - apex - 1, 1, most)
    return medians_of(values, apex + (last + 1) // 2, apex + last + 1, -(-most // (2 * _ENOUGH_QUIET)))


def _swing(typical: Floats) -> float:
    """How high the typical outline is again after it fell to half of the apex."""
    low = int((typical < 0.5).argmax())
    rising = np.flatnonzero(np.diff(typical[low:]) > 0.0)
    return float(typical[low + int(rising[0]) :].max()) if rising.size else 0.0


def _usual(typical: Floats) -> Floats:
    """The largest of what is ``typical`` at a sample and one to either side, along the last axis."""
    there = np.concatenate((typical[..., :1], typical, typical[..., -1:]), axis=-1)
    return np.asarray(np.maximum(np.maximum(there[..., :-2], there[..., 1:-1]), there[..., 2:]))


def _beside(outline: Floats, which: Indices) -> Floats:
    """Mean of the outlines of the blow before and of that after each of ``which``; of the two next to the
    first and the last. Blows change while a joint is tightened, and first ones look like no later ones."""
    last = len(outline) - 1
    before, after = np.where(which > 0, which - 1, 2), np.where(which < last, which + 1, last - 2)
    return np.asarray(0.5 * (outline[before] + outline[after]))


def _most_over(some: Floats, typical: Floats) -> Floats:
    """How far over what is usual one blow may reach at each sample: a fifth of the net peak, or what ``some``
    of the blows differ by."""
    spread = SD_PER_MAD * _column_medians(np.abs(some - typical))
    return np.maximum(LEAST_EXCESS, _SPREAD_SD * np.maximum(spread, median(spread)))


def _column_medians(rows: Floats) -> Floats:
    return medians(np.ascontiguousarray(rows.T))


def _room(outline: Floats, found: Found, which: Indices, columns: _Columns) -> Flags:
    """Where another strike may be in the outlines of the blows ``which``: clear of the blow itself, and with
    no other blow near, whose ring it may be. Everything in columns of the outline.
    """
    before, after, step, around = columns.before, columns.after, columns.step, columns.around
    half = np.maximum((outline[:, before:] < 0.5).argmax(axis=1), 1)
    clear = 1 + np.ceil(_CLEAR * half).astype(np.int64)
    rise = -(-(found.apex_index - found.start_index)[which] // step)
    apart = np.diff(found.apex_index) / step
    since, until = np.append(np.inf, apart)[which], np.append(apart, np.inf)[which]
    alone = (since > before + after) & (until > after)
    beside = (around < -rise[:, np.newaxis] - 1) | (around > clear[:, np.newaxis])
    return np.asarray(alone[:, np.newaxis] & beside)


def _strikes(
    found: Found, outline: Floats, which: Indices, stands_out: Flags, columns: _Columns
) -> tuple[Indices, Indices]:
    """First samples and tops of the first strike that stands out of each of the blows ``which``, in samples
    of the record."""
    struck = np.flatnonzero(stands_out.any(axis=1))
    first = stands_out[struck].argmax(axis=1)
    pairs = zip(struck.tolist(), first.tolist(), strict=True)
    places = [(_foot(outline[blow], at), _top(outline[blow], at)) for blow, at in pairs]
    feet, tops = columns.step * np.array(places, dtype=np.int64).reshape(-1, 2).T
    origin = found.apex_index[which[struck]] - columns.before * columns.step
    return origin + feet, origin + tops


def _largest(values: Values, tops: Indices, step: int) -> Indices:
    """The largest sample near each top, which is one of every ``step`` samples."""
    first, end = np.maximum(tops + 1 - step, 0), np.minimum(tops + step, values.size)
    return largest_of(values, first, end)


def _top(outline: Floats, at: int) -> int:
    """The largest sample of the rise that goes on at sample ``at``."""
    while at + 1 < outline.size and outline[at + 1] >= outline[at]:
        at += 1
    return at


def _foot(outline: Floats, at: int) -> int:
    """The first sample of the rise that goes on at sample ``at``."""
    while at > 0 and outline[at - 1] < outline[at]:
        at -= 1
    return at + 1


def _in_order(found: Found, starts: Indices, apexes: Indices) -> Found:
    """Blows by the order of their apexes; each ends where the next one starts."""
    order = np.argsort(apexes, kind="stable")
    start, apex = starts[order], apexes[order]
    start[1:] = np.maximum(start[1:], apex[:-1] + 1)
    return replace(
        found, start_index=start, apex_index=apex, end_index=np.append(start[1:], found.end_index[-1])
    )
