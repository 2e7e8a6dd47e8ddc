"""Readings that stand out, for a person to decide about: nothing is dropped."""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt
from scipy.special import stdtrit

ALPHA = 0.05
"""Probability of flagging a value where none stands out."""


def grubbs_limit(n: int, alpha: float = ALPHA, two_sided: bool = True) -> float:
    """The largest distance from the mean, in standard deviations, that chance leaves among ``n`` >= 3 values.

    NIST/SEMATECH e-Handbook, 1.3.5.17.1, after F. E. Grubbs, Technometrics 11 (1969).
    """
    tail = alpha / (2 * n if two_sided else n)
    t = float(stdtrit(n - 2, 1.0 - tail))
    return (n - 1) / math.sqrt(n) * math.sqrt(t**2 / (n - 2 + t**2))


def stands_out(values: npt.ArrayLike, alpha: float = ALPHA) -> int | None:
    """Index of the value that Grubbs' two-sided test flags; None where none, or fewer than 3, are there."""
    array = np.asarray(values, dtype=np.float64)
    if len(array) < 3:
        return None
    distance = np.abs(array - array.mean())
    spread = float(array.std(ddof=1))
    place = int(distance.argmax())
    return place if spread > 0.0 and distance[place] / spread > grubbs_limit(len(array), alpha) else None
