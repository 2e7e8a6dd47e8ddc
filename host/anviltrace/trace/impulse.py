"""The impulse of each blow over the levels before and after it.

The level changes at the apex: up to it a blow is counted over the level before, from it on over the level
after. On a rig that keeps nothing both are the same; on a held rig the joint gives way at the apex. So the
impulse does not depend on where its window ends, as long as the ring has died down by then: the ring's own
impulse is nothing, and cutting it short reads wrong by as much as 40 % (a transducer with 0.8 periods to a
blow and a damping of 0.01).
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from anviltrace.trace.kernels import sums_of
from anviltrace.trace.outline import BASE_OVER_FWHM, Outlines
from anviltrace.trace.rests import Rests
from anviltrace.trace.struck import GUARD_S, LEAD_S, Struck

Floats = npt.NDArray[np.float64]
Indices = npt.NDArray[np.int64]

_CENTRE_STEPS = 3
"""Repetitions until the centre of gravity stays where it is; each is ten times closer at least."""


def impulses(record: Struck, outlines: Outlines, before: Rests, after: Rests) -> Floats:
    """∫ (value − level) dt from just before the start to the end of the ring, every sample counted once.

    Shape (m,), the unit of the values times seconds; NaN where a level is not known.
    """
    lead = record.found.start_index - record.samples(LEAD_S)
    first = np.maximum(before.ring_end, lead // record.calm.length)
    last = _up_to_the_next(first, np.maximum(after.ring_end, first), record.means(GUARD_S) + 1)
    area, moment = _area_and_moment(record, outlines.apex, first, last)
    begin, end = record.middle(first - 0.5), record.middle(last - 0.5)
    change = _level_change(outlines, begin, end, area, moment)
    level = before.area(begin, change) + after.area(change, end)
    return np.where(last > first, (area - level) / record.rate_hz, np.nan)


def _up_to_the_next(first: Indices, last: Indices, near: int) -> Indices:
    """Ends of the rings, up to where the next blow begins to count if they are as ``near`` as that: a strike
    that comes while the one before still falls takes nothing away from both."""
    gap = first[1:] - last[:-1]
    return np.append(np.where((gap > 0) & (gap <= near), first[1:], last[:-1]), last[-1:])


def _area_and_moment(record: Struck, apex: Floats, first: Indices, last: Indices) -> tuple[Floats, Floats]:
    """Sums over the samples of means ``first`` to before ``last``: of the values, and of values times place
    from the apex."""
    length, (sums, moments) = record.calm.length, sums_of(record.calm.values, first, last)
    area = length * sums
    return area, length**2 * moments + (record.middle(first) - apex) * area


def _level_change(outlines: Outlines, first: Floats, last: Floats, area: Floats, moment: Floats) -> Floats:
    """Where the level changes, in samples from the first value: the apex of the torque that was applied.

    Ringing moves the apex that is seen, and noise does, but neither moves the centre of gravity of the blow
    over its levels (the first moment passes a linear system, delayed as the whole is). That of half a sine
    lies before its apex by step·a²/2 over the impulse, a from the apex to where the sine leaves the level:
    what the blow lacks on its second half.
    """
    low, high, apex = outlines.low, outlines.high, outlines.apex
    step, half = high - low, 0.5 * BASE_OVER_FWHM * outlines.width
    begin, end = first - apex, last - apex
    change = np.zeros(apex.size)
    for _ in range(_CENTRE_STEPS):
        over = area - low * (change - begin) - high * (end - change)
        levels = 0.5 * (low * (change**2 - begin**2) + high * (end**2 - change**2))
        sure = over > 0.0
        change = np.where(sure, (moment - levels + 0.5 * step * half**2) / np.where(sure, over, 1.0), 0.0)
    return np.asarray(apex + np.where((np.abs(change) < half) & (step != 0.0), change, 0.0))
