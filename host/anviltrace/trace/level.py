"""The level of a quiet stretch and its noise, by medians that blows and knocks hardly move."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt

LEAST_QUIET = 5
"""Quiet samples that a level needs; with fewer it is not known."""

SD_PER_MAD = 1.482602
"""Standard deviation of normal noise over its median absolute deviation: 1/Φ⁻¹(3/4)."""
ROUNDING_SD = 12.0**-0.5
"""Standard deviation of what rounding to whole counts takes away."""


def quiet_levels(stretches: npt.NDArray[np.float64], count: npt.NDArray[np.int64]) -> npt.NDArray[np.float64]:
    """Median of the first ``count`` values of each row, shape (m,).

    ``stretches``: shape (m, n), no ``count`` below 1 or above n; they are sorted in part where they are.
    What lies behind ``count`` is made half −∞, half ∞: so the middle is at the same place in every row.
    """
    width, least, middle = stretches.shape[1], int(count.min()), stretches.shape[1] // 2
    if width == 1:
        return stretches[:, 0].copy()
    rest, column = stretches[:, least:], np.arange(least, width)
    beyond = column >= count[:, np.newaxis]
    low = column < (count + (width - count) // 2)[:, np.newaxis]
    rest[beyond] = np.where(low[beyond], -np.inf, np.inf)
    stretches.partition(middle, axis=1)
    upper, lower = stretches[:, middle], stretches[:, :middle].max(axis=1)
    return np.where(count % 2 == 0, 0.5 * (lower + upper), upper if width % 2 else lower)


def median(values: npt.NDArray[Any]) -> float:
    """Median of finite values of shape (n,), n at least 1; :func:`medians` says why not NumPy's."""
    return float(medians(values[np.newaxis])[0])


def usual(values: npt.NDArray[np.float64]) -> float:
    """Median of those of shape (n,) that are known, that is finite; 0 where none is."""
    known = values[np.isfinite(values)]
    return median(known) if known.size else 0.0


def medians(stretches: npt.NDArray[Any]) -> npt.NDArray[np.float64]:
    """Median of each row, shape (m,), of finite values of shape (m, n) with n at least 1.

    numpy.median is many times slower: it looks for NaN, and at both middle values at once.
    """
    count = stretches.shape[1]
    middle = count // 2
    parted = np.partition(stretches, middle, axis=1)
    upper = parted[:, middle].astype(np.float64)
    return upper if count % 2 else 0.5 * (upper + parted[:, :middle].max(axis=1))


def noise_sd(values: npt.ArrayLike) -> float:
    """Standard deviation of the noise in a stretch without blows, shape (n,), in the unit of the values.

    From the median absolute deviation from a straight line through the medians of the first and the last
    third: drift and a knock or two do not count as noise, hum does. Whole numbers give at least the 0.29
    counts of rounding. Fewer than :data:`LEAST_QUIET` samples raise ValueError.
    """
    stretch = np.asarray(values)
    if stretch.size < LEAST_QUIET:
        raise ValueError(f"{stretch.size} samples tell no noise; at least {LEAST_QUIET} quiet ones do")
    third = stretch.size // 3
    rise = float(np.median(stretch[-third:]) - np.median(stretch[:third]))
    departure = stretch - np.arange(stretch.size) * (rise / (stretch.size - third))
    spread = SD_PER_MAD * float(np.median(np.abs(departure - np.median(departure))))
    return max(spread, ROUNDING_SD) if np.issubdtype(stretch.dtype, np.integer) else spread
