"""How far the zero of a rig at rest wanders, as a straight line with an uncertainty that knows the noise."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.stats import t

LEAST_S = 10.0
"""A shorter record says nothing about a minute."""
BLOCKS = 12
_LEAST_IN_BLOCK = 2
_MINUTE_S = 60.0


@dataclass(frozen=True, slots=True)
class Drift:
    """Change per minute along a straight line, in the unit of the values; ``expanded`` holds for 95 %.

    ``seconds`` is how long was looked: the line is carried on where that is less than a minute.
    """

    per_minute: float
    expanded: float
    seconds: float


def still_drift(values: npt.ArrayLike, rate_hz: float) -> Drift | str:
    """The drift of a rig at rest, or in words why it cannot be told. ``values``: shape (n,), in any unit.

    Least squares through the means of twelve equal blocks. The uncertainty comes from how these means
    scatter about the line, so noise that is slower than a sample but faster than a block counts in full.
    """
    record = np.asarray(values, dtype=np.float64)
    seconds = record.size / rate_hz
    length = record.size // BLOCKS
    if seconds < LEAST_S or length < _LEAST_IN_BLOCK:
        return f"{seconds:.1f} s are too short for the drift: record {LEAST_S:g} s at least"
    means = record[: length * BLOCKS].reshape(BLOCKS, length).mean(axis=1)
    x = (np.arange(BLOCKS) - 0.5 * (BLOCKS - 1)) * (length / rate_hz)
    lever = float(x @ x)
    slope = float(x @ means) / lever
    left = means - means.mean() - slope * x
    u_slope = math.sqrt(float(left @ left) / (BLOCKS - 2) / lever)
    factor = float(t.ppf(0.975, BLOCKS - 2))
    return Drift(_MINUTE_S * slope, _MINUTE_S * factor * u_slope, seconds)
