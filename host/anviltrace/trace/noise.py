"""The noise of a rig left alone, and what it leaves of a converter's bits.

Noise-free bits are log2(span / (6.6·σ)), effective resolution is log2(span / σ): 6.6 standard deviations
hold 99.9 % of normally distributed readings, which is the usual meaning of "peak to peak" in data sheets of
converters (Analog Devices, MT-003 and MT-004, from memory).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.ndimage import median_filter
from scipy.stats import chi2

from anviltrace.trace.level import LEAST_QUIET, noise_sd

Floats = npt.NDArray[np.float64]

PEAK_TO_PEAK_SD = 6.6
"""Standard deviations from the lowest to the highest reading of normal noise, all but 0.1 %."""
STRAY_SD = 12.0
LEAST_STRETCHES = 10
LEAST_IN_STRETCH = 8
_STRETCH_S = 1.0
_LOUD, _LOUD_BY_CHANCE = 2.0, 1e-4
_MOST_STRETCHES = 60


@dataclass(frozen=True, slots=True)
class Noise:
    """Noise in the unit of the values: ``sd`` is its standard deviation within stretches of ``stretch_s``
    seconds, drift taken out, ``u_sd`` its standard uncertainty, from how the stretches differ.

    ``loudest`` is the standard deviation of the loudest stretch over the median of all, ``loudest_most`` what
    it stays below by chance.
    """

    sd: float
    u_sd: float
    loudest: float
    loudest_most: float
    stretch_s: float
    samples: int


def still_noise(values: npt.ArrayLike, rate_hz: float) -> Noise | str:
    """The noise of a rig at rest, or in words why it cannot be told.

    ``values``: shape (n,), in any unit. The stretches are a second long, or shorter where the record holds
    fewer than ten of those; a straight line is taken out of each, so what moves more slowly is drift and no
    noise. Hum is part of it.
    """
    record: Floats = np.asarray(values, dtype=np.float64)
    length = min(round(_STRETCH_S * rate_hz), record.size // LEAST_STRETCHES)
    length = max(length, record.size // _MOST_STRETCHES)
    if length < LEAST_IN_STRETCH:
        least_s = LEAST_STRETCHES * LEAST_IN_STRETCH / rate_hz
        return f"{record.size} samples are too few for the noise: record at least {least_s:.2g} s"
    variances = _variances(record[: record.size // length * length].reshape(-1, length))
    sd = math.sqrt(float(variances.mean()))
    spread = float(variances.std(ddof=1)) / math.sqrt(variances.size)
    middle = math.sqrt(float(np.median(variances)))
    return Noise(
        sd=sd,
        u_sd=0.5 * spread / sd if sd else 0.0,
        loudest=math.sqrt(float(variances.max())) / middle if middle else 1.0,
        loudest_most=_loudest_most(length, variances.size),
        stretch_s=length / rate_hz,
        samples=record.size,
    )


def _loudest_most(length: int, stretches: int) -> float:
    """By the largest of so many χ²; half the degrees of freedom, as neighbours go together (our rule)."""
    dof = 0.5 * (length - 2)
    largest = float(chi2.ppf(1.0 - _LOUD_BY_CHANCE / stretches, dof))
    return max(_LOUD, math.sqrt(largest / float(chi2.ppf(0.5, dof))))


def strays(values: npt.ArrayLike) -> npt.NDArray[np.intp]:
    """Where single readings lie far off their neighbours: indices into values of shape (n,).

    Far is more than :data:`STRAY_SD` standard deviations of the noise, and three counts, from the median of
    the two readings on either side. A knock moves neighbours too, and is none.
    """
    record = np.asarray(values)
    if record.size < LEAST_QUIET:
        return np.empty(0, np.intp)
    off = np.abs(record - median_filter(record.astype(np.float64), 5, mode="mirror"))
    return np.flatnonzero(off > max(STRAY_SD * noise_sd(record), 3.0))


def noise_free_bits(span: float, sd: float) -> float:
    """log2(span / (6.6·σ)); ``span`` from the lowest to the highest value, above 0 like ``sd``."""
    return math.log2(span / (PEAK_TO_PEAK_SD * sd))


def effective_bits(span: float, sd: float) -> float:
    """log2(span / σ), the effective resolution."""
    return math.log2(span / sd)


def _variances(rows: Floats) -> Floats:
    """Variance of each row about a straight line of its own, shape (m,)."""
    length = rows.shape[1]
    x = np.arange(length) - 0.5 * (length - 1)
    departure = rows - rows.mean(axis=1, keepdims=True)
    slope = departure @ x / float(x @ x)
    left = departure - slope[:, np.newaxis] * x
    return np.asarray(np.einsum("ij,ij->i", left, left) / (length - 2))
