"""When a reading is steady enough to be taken, and what it is. Pure: arrays in, results out.

A weight that swings pulls more and less at twice its own frequency, zero on average. The window is weighted
by a raised cosine, so the ripple averages out whatever its period, once a few of them fit in.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import numpy.typing as npt

Counts = npt.NDArray[np.int32]
Numbers = npt.NDArray[np.float64]

_LEAST_SAMPLES = 8
_FINEST_COUNTS = 1.0
"""A drift of one count is no drift."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Gate:
    """What makes a reading steady.

    The drift over ``window_s`` must stay below ``drift_share`` of the largest load read so far, or within
    what the noise makes of a steady signal; the standard deviation below ``swing_share`` of that load, or
    twice the noise without load. The window begins ``wait_s`` after the recording at the earliest; after
    ``longest_s`` the wait is given up.
    """

    window_s: float = 2.0
    wait_s: float = 0.0
    longest_s: float = 60.0
    drift_share: float = 2e-4
    swing_share: float = 5e-4

    def samples(self, rate_hz: float) -> int:
        """Samples in the window."""
        return max(_LEAST_SAMPLES, round(self.window_s * rate_hz))


@dataclass(frozen=True, slots=True)
class Known:
    """What earlier readings say: the zero, the noise without load, and the largest net reading so far."""

    zero_counts: float | None = None
    noise_counts: float | None = None
    span_counts: float = 0.0


@dataclass(frozen=True, slots=True)
class Window:
    """A window of counts: weighted mean, standard deviation about the line, change along the line.

    ``drift_u_counts`` is what white noise of that standard deviation makes of the drift of a steady signal.
    """

    mean_counts: float
    sd_counts: float
    drift_counts: float
    drift_u_counts: float
    samples: int


def look_at(counts: Counts) -> Window:
    """Mean, standard deviation and drift of a window of at least 8 counts, shape (n,).

    A straight line by least squares, weighted with a raised cosine; the mean is its value at mid-window.
    """
    samples = len(counts)
    x, weights = _raised_cosine(samples)
    middle = float(counts[samples // 2])
    y = counts - middle
    # sums of products and no dot products: those of a linear algebra library differ in the last bit with
    # the processor, and what is read must be found again from the counts
    mean = float(np.sum(weights * y) / np.sum(weights))
    lever = weights * x
    lever_sum = float(np.sum(lever * x))
    drift = float(np.sum(lever * y)) / lever_sum
    sd = float(np.sqrt(np.sum((y - mean - drift * x) ** 2) / (samples - 2)))
    return Window(middle + mean, sd, drift, sd * float(np.sqrt(np.sum(lever * lever))) / lever_sum, samples)


@lru_cache(maxsize=4)
def _raised_cosine(samples: int) -> tuple[Numbers, Numbers]:
    """Places from −0.5 to 0.5 and their weights, each shape (samples,)."""
    x = (np.arange(samples) + 0.5) / samples - 0.5
    return x, 1.0 + np.cos(2.0 * np.pi * x)


def why_unsteady(window: Window, known: Known, gate: Gate) -> str:
    """What is not steady yet, with value and limit in counts; empty when the reading can be taken."""
    span = known.span_counts
    if known.zero_counts is not None:
        span = max(span, abs(window.mean_counts - known.zero_counts))
    drift_limit = max(gate.drift_share * span, 4.0 * window.drift_u_counts, _FINEST_COUNTS)
    if abs(window.drift_counts) > drift_limit:
        return (
            f"it drifts by {window.drift_counts:+.1f} counts in {gate.window_s:g} s (limit {drift_limit:.1f})"
        )
    if known.noise_counts is None:
        return ""
    sd_limit = max(gate.swing_share * span, 2.0 * known.noise_counts, _FINEST_COUNTS)
    if window.sd_counts > sd_limit:
        return f"it moves by {window.sd_counts:.1f} counts, standard deviation (limit {sd_limit:.1f})"
    return ""
