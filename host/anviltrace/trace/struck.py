"""A record cut into blows, as it is and with the ring of the rig taken out."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from anviltrace.trace.finding import Found
from anviltrace.trace.ring import RingFilter, ring_filter
from anviltrace.trace.stretches import Rows, rows_of

Floats = npt.NDArray[np.float64]
Indices = npt.NDArray[np.int64]

QUIET_S = 0.025
"""A level is read over half the interval to the next blow, and no more than this."""
GUARD_S = 0.0002
"""Left out before a start: a filter smears a blow forwards."""
LEAD_S = 0.001
"""The impulse is taken from this long before the start."""
_RING_MATTERS = 0.003
"""Share of a ring that is left after half an interval from which it is taken out for levels and impulses;
one that is on record is taken out whenever it shows."""


@dataclass(frozen=True, slots=True)
class Struck:
    """Values along the rotation, shape (n,), and how they are cut into blows.

    Levels and impulses are taken from :meth:`calm`: the values, or where the rig still rings in the rests
    the values behind ``ring_filter``, in which all comes a little later.
    """

    values: Floats
    rate_hz: float
    noise_sd: float
    found: Found
    ring_filter: RingFilter | None

    def samples(self, seconds: float) -> int:
        """Whole samples, at least one, that make a time."""
        return max(1, round(seconds * self.rate_hz))

    @property
    def clear_until(self) -> Indices:
        """For each blow one past the last sample clear of the next one, or of the end of the values."""
        until = self.found.end_index.copy()
        until[:-1] -= self.samples(GUARD_S)
        return np.maximum(until, self.found.apex_index)

    @property
    def usual_half(self) -> int:
        """Half the usual interval in samples; half of the longest quiet stretch where there is none."""
        return _usual_half(self.found, self.rate_hz)

    def rows(self, first: Indices, width: int) -> Rows:
        """Stretches as they are."""
        return rows_of(self.values, first, width)

    def calm(self, first: Indices, width: int) -> Rows:
        """Stretches without the ring."""
        if self.ring_filter is None:
            return self.rows(first, width)
        reach = self.ring_filter.reach
        return Rows(self.ring_filter.applied(self.rows(first - reach, width + reach).values), first)


def struck(values: Floats, rate_hz: float, found: Found, noise_sd: float) -> Struck:
    """The record in which ``found`` was found."""
    ring = found.ring
    if ring is None:
        return Struck(values, rate_hz, noise_sd, found, None)
    matters = found.ring_known or ring.left_after(_usual_half(found, rate_hz) / rate_hz) >= _RING_MATTERS
    return Struck(values, rate_hz, noise_sd, found, ring_filter(ring, rate_hz) if matters else None)


def _usual_half(found: Found, rate_hz: float) -> int:
    most = max(1, round(QUIET_S * rate_hz))
    intervals = np.diff(found.apex_index)
    usual = max(1, round(2.0 * QUIET_S * rate_hz)) if not intervals.size else int(np.median(intervals))
    return min(usual // 2, most)
