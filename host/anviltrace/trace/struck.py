"""A record cut into blows: as it is, and calm, as means of a few samples without the ring of the rig."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from anviltrace.trace.finding import Found
from anviltrace.trace.level import median
from anviltrace.trace.ring import Still, in_means, without_ring

Floats = npt.NDArray[np.float64]
Indices = npt.NDArray[np.int64]

QUIET_S = 0.025
"""A level is read over half the interval to the next blow, and no more than this."""
GUARD_S = 0.0002
"""Left out before a start: a filter smears a blow forwards."""
LEAD_S = 0.001
"""The impulse is taken from this long before the start."""
MEAN_S = 0.0001
"""Levels and impulses are taken from means over so long: they tell as much as the samples, and are fewer."""
_RING_MATTERS = 0.003
"""Share of a ring that is left after half an interval from which it is taken out for levels and impulses;
one that is on record is taken out whenever it shows."""


@dataclass(frozen=True, slots=True)
class Struck:
    """Values along the rotation, shape (n,), and how they are cut into blows.

    Levels and impulses are taken from ``calm``: means of ``calm.length`` samples, without the ring where the
    rig still rings in the rests; then all comes a little later in them.
    """

    values: Floats
    rate_hz: float
    noise_sd: float
    found: Found
    calm: Still

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

    def means(self, seconds: float) -> int:
        """Whole means, at least one, that make a time."""
        return max(1, round(seconds * self.rate_hz / self.calm.length))

    def middle(self, mean: npt.NDArray[np.floating] | Indices) -> Floats:
        """Where means have their middle, in samples from the first value; a half more is where they end."""
        return np.asarray(self.calm.length * (mean + 0.5) - 0.5)


def struck(values: Floats, rate_hz: float, found: Found, noise_sd: float) -> Struck:
    """The record in which ``found`` was found."""
    return Struck(values, rate_hz, noise_sd, found, _calm(values, rate_hz, found))


def _calm(values: Floats, rate_hz: float, found: Found) -> Still:
    ring = found.ring
    if ring is not None:
        left = ring.left_after(_usual_half(found, rate_hz) / rate_hz)
        if found.ring_known or left >= _RING_MATTERS:
            return without_ring(values, rate_hz, ring)
    return in_means(values, max(1, round(MEAN_S * rate_hz)))


def _usual_half(found: Found, rate_hz: float) -> int:
    most = max(1, round(QUIET_S * rate_hz))
    intervals = np.diff(found.apex_index)
    usual = max(1, round(2.0 * QUIET_S * rate_hz)) if not intervals.size else int(median(intervals))
    return min(usual // 2, most)
