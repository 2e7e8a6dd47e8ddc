"""A reading between two without what is read: its net counts, and how well they are known."""

from __future__ import annotations

import math

_WEIGHTED = 1.5
"""Variance of a mean weighted by a raised cosine, as a multiple of a plain mean's (white noise)."""


def net_counts(before_counts: float, read_counts: float, after_counts: float) -> float:
    """The reading less the mean of those before and after it, in counts."""
    return read_counts - 0.5 * (before_counts + after_counts)


def net_u_counts(before_counts: float, after_counts: float, sd_counts: float, samples: int) -> float:
    """Standard uncertainty of :func:`net_counts`.

    Noise of the reading and of the mean of two zeros, each a weighted mean of ``samples`` counts that
    scatter by ``sd_counts``, and the zero's change as a rectangle's width.
    """
    noise = sd_counts * math.sqrt(_WEIGHTED / samples * 1.5)
    return math.hypot(noise, (after_counts - before_counts) / math.sqrt(12.0))
