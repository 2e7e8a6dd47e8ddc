"""From standard uncertainties to intervals: effective degrees of freedom, and the factor for them."""

from __future__ import annotations

import math
from collections.abc import Iterable

from scipy.special import ndtri, stdtrit

COVERAGE = 0.95
"""Probability that an expanded uncertainty is stated for."""


def coverage_factor(degrees: float) -> float:
    """Student's t for a two-sided interval of 95 % with ``degrees`` of freedom, which may be infinite."""
    upper = 0.5 * (1.0 + COVERAGE)
    return float(ndtri(upper) if math.isinf(degrees) else stdtrit(degrees, upper))


def effective_dof(parts: Iterable[tuple[float, float]]) -> float:
    """Welch-Satterthwaite: degrees of freedom of independent (standard uncertainty, dof) parts together.

    1 / Σ((u²/Σu²)²/ν), JCGM 100:2008, G.4.1. The sum is not rounded. Infinite where no part with finite ν
    contributes.
    """
    pairs = list(parts)
    total = math.fsum(u * u for u, _ in pairs)
    if total == 0.0:
        return math.inf
    weakness = math.fsum((u * u / total) ** 2 / dof for u, dof in pairs)
    return math.inf if weakness == 0.0 else 1.0 / weakness
