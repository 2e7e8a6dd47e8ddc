"""What sampling and the converter's filter do to blows, taken as half sines.

Impulse. The sum of samples times their distance is the impulse plus what folds back from multiples of the
sample rate (Poisson's summation formula): for a pulse with the spectrum P behind a filter H, sampled at a
random phase, the mean error is 0 and its variance is 2·Σ |P(k·f)·H(k·f)|² over k = 1, 2, ... Half a sine of
N samples on its base has |P(k·f)|/P(0) = |cos(πkN)/(1 − 4k²N²)|, a boxcar as long as n samples sinc(k·n):
behind a filter that averages over whole sample distances nothing folds back at all.

Peak. Half a sine goes through the filter's boxcars and is sampled at all phases; the largest sample, or
from five samples on the base the parabola through it and its neighbours, gives the reading.
"""

from __future__ import annotations

import math
from functools import lru_cache

import numpy as np
import numpy.typing as npt

from anviltrace.trace.blows import LEAST_FOR_PARABOLA

Numbers = npt.NDArray[np.float64]

_HARMONICS = 20
_FINE = 48
"""Points of the calculation per sample distance; as many phases are tried."""
_STEP = 0.01
"""Widths that agree this well, relatively, share one calculation, that of the narrower one."""
_HALF_SINE_VARIANCE = 0.25 - 2.0 / math.pi**2
"""Second central moment of half a sine over its base width squared."""
_LEAST_CORRECTED = 0.3


def impulse_error_sd(base_s: Numbers, rate_hz: float, boxcars_s: tuple[float, ...]) -> Numbers:
    """Standard deviation of the impulse read from one blow at a random phase, as a share of the impulse."""
    samples = np.asarray(base_s, dtype=np.float64)[..., np.newaxis] * rate_hz
    k = np.arange(1, _HARMONICS + 1)
    with np.errstate(divide="ignore", invalid="ignore"):
        folded = np.cos(np.pi * k * samples) / (1.0 - 4.0 * np.square(k * samples))
    folded = np.where(np.abs(2.0 * k * samples - 1.0) < 1e-6, math.pi / 4.0, folded)
    kept = math.prod((np.sinc(k * rate_hz * length) for length in boxcars_s), start=np.ones(_HARMONICS))
    return np.asarray(np.sqrt(2.0 * np.sum(np.square(folded * kept), axis=-1)))


def worst_peak_loss(base_s: Numbers, rate_hz: float, boxcars_s: tuple[float, ...]) -> Numbers:
    """Largest share of its peak that a blow's reading may miss, at its width less what the filter widens.

    NaN where the width is; 1 where a blow may be missed altogether.
    """
    seen = np.ravel(np.asarray(base_s, dtype=np.float64)) * rate_hz
    true = np.ravel(corrected_width_s(base_s, boxcars_s)) * rate_hz
    boxcars = tuple(round(length * rate_hz, 4) for length in boxcars_s)
    losses = [_loss(*pair, boxcars) for pair in zip(seen, true, strict=True)]
    return np.array(losses).reshape(np.shape(base_s))


def corrected_width_s(base_s: Numbers, boxcars_s: tuple[float, ...]) -> Numbers:
    """Base width before the filter from the one behind it: second moments add."""
    base = np.asarray(base_s, dtype=np.float64)
    widened = sum(length**2 for length in boxcars_s) / 12.0 / _HALF_SINE_VARIANCE
    return np.asarray(np.sqrt(np.maximum(np.square(base) - widened, np.square(_LEAST_CORRECTED * base))))


def _loss(seen: float, true: float, boxcars: tuple[float, ...]) -> float:
    """Worst loss of a blow with ``seen`` samples on the base it shows and ``true`` ones on its own."""
    if not math.isfinite(true) or true <= 0.0:
        return math.nan
    return _worst(math.floor(math.log(true) / _STEP), seen >= LEAST_FOR_PARABOLA, boxcars)


@lru_cache(maxsize=4096)
def _worst(log_samples: int, parabola: bool, boxcars: tuple[float, ...]) -> float:
    """Worst loss over all phases; lengths in sample distances.

    Pulse and boxcars have odd numbers of points, so that the apex lies on one and the worst phase is tried.
    """
    samples = math.exp(log_samples * _STEP)
    half = max(1, math.floor(0.5 * samples * _FINE))
    pulse = np.sin(np.pi * np.linspace(0.0, 1.0, 2 * half + 1))
    for length in boxcars:
        points = 2 * math.ceil(0.5 * (length * _FINE - 1.0)) + 1
        pulse = np.convolve(pulse, np.full(points, 1.0 / points))
    rows = math.ceil(len(pulse) / _FINE) + 3
    padded = np.zeros(rows * _FINE)
    padded[_FINE : _FINE + len(pulse)] = pulse
    return 1.0 - float(_readings(padded.reshape(rows, _FINE).T, parabola).min())


def _readings(sampled: Numbers, parabola: bool) -> Numbers:
    """The peak read at each phase, shape (phases,), from samples of shape (phases, n)."""
    apex = sampled.argmax(axis=1)
    phases = np.arange(len(sampled))
    left, top, right = (sampled[phases, np.clip(apex + by, 0, sampled.shape[1] - 1)] for by in (-1, 0, 1))
    if not parabola:
        return np.asarray(top)
    return np.asarray(top - np.square(left - right) / (8.0 * (left - 2.0 * top + right)))
