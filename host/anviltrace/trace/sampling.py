"""What sampling and the converter's filter do to blows, taken as half sines.

Half a sine is the pulse of a hammer on a spring. Its width is that of its *base*, 1.5 times the full width at
half maximum. The phase of the sampling is unknown and evenly distributed.

Impulse. The sum of samples times their distance is the impulse plus what folds back from multiples of the
sample rate (Poisson's summation formula): for a pulse with the spectrum P behind a filter H, sampled at a
random phase, the mean error is 0 and its variance is 2·Σ |P(k·f)·H(k·f)|² over k = 1, 2, ... Half a sine of
N samples on its base has |P(k·f)|/P(0) = |cos(πkN)/(1 − 4k²N²)|, a boxcar as long as n samples sinc(k·n):
behind a filter that averages over whole sample distances nothing folds back at all.

Peak. Half a sine goes through the filter's boxcars and is sampled at all phases; the largest sample, or
from five samples on the base the parabola through it and its neighbours, gives the reading.

The filter is given as the lengths of its boxcars: a sinc filter of order 5 with values every T is five of
length T, the mean of n of its values turns one of the five into one of length n·T, and a converter that
integrates is one of the length of a sample. No boxcars leave the values of single points.
"""

from __future__ import annotations

import math
from functools import lru_cache

import numpy as np
import numpy.typing as npt
from scipy.ndimage import median_filter

from anviltrace.trace.blows import BASE_OVER_FWHM, LEAST_FOR_PARABOLA

Floats = npt.NDArray[np.float64]

LEAST_RATE_HZ = 1000.0
"""Below it no blow of a wrench (0.3 to 3 ms) is resolved, whatever its width reads."""
LEAST_SAMPLES = 2.5
"""Samples on the base width below which a blow is not measured: its peak may read 19 % low."""

_HARMONICS = 20
_FINE = 48
"""Points of the calculation per sample distance; as many phases are tried."""
_STEP = 0.01
"""Widths that agree this well, relatively, share one calculation, that of the narrower one."""
_HALF_SINE_VARIANCE = 0.25 - 2.0 / math.pi**2
"""Second central moment of half a sine over its base width squared."""
_LEAST_CORRECTED = 0.3
_NEIGHBOURS = 11


def folded_hz(frequency_hz: float, rate_hz: float) -> float:
    """Where a frequency shows in samples of a rate."""
    return abs(frequency_hz - rate_hz * round(frequency_hz / rate_hz))


def impulse_error_sd(base_s: npt.ArrayLike, rate_hz: float, boxcars_s: tuple[float, ...]) -> Floats:
    """Standard deviation of the impulse read from one blow at a random phase, as a share of the impulse.

    In the shape of ``base_s``; NaN where the width is. The mean error is 0.
    """
    samples = np.asarray(base_s, dtype=np.float64)[..., np.newaxis] * rate_hz
    k = np.arange(1, _HARMONICS + 1)
    with np.errstate(divide="ignore", invalid="ignore"):
        folded = np.cos(np.pi * k * samples) / (1.0 - 4.0 * np.square(k * samples))
    folded = np.where(np.abs(2.0 * k * samples - 1.0) < 1e-6, math.pi / 4.0, folded)
    kept = math.prod((np.sinc(k * rate_hz * length) for length in boxcars_s), start=np.ones(_HARMONICS))
    return np.asarray(np.sqrt(2.0 * np.sum(np.square(folded * kept), axis=-1)))


def worst_peak_loss(
    base_s: npt.ArrayLike, rate_hz: float, boxcars_s: tuple[float, ...], parabola: bool | None = None
) -> Floats:
    """Largest share of its peak that a blow's reading may miss, at its width less what the filter widens.

    ``base_s`` are widths behind the filter; the result has their shape. The peak is read by a ``parabola``
    or from the largest sample; None means by a parabola from :data:`LEAST_FOR_PARABOLA` samples on
    ``base_s`` up. NaN where the width is; 1 where a blow may be missed altogether. The loss is that of a blow
    narrower by up to 1 % and 1/24 of a sample, so it comes out a few hundredths of itself too large.
    """
    seen = np.ravel(np.asarray(base_s, dtype=np.float64)) * rate_hz
    true = np.ravel(corrected_width_s(base_s, boxcars_s)) * rate_hz
    boxcars = tuple(round(length * rate_hz, 4) for length in boxcars_s)
    fitted = np.full(seen.shape, parabola) if parabola is not None else seen >= LEAST_FOR_PARABOLA
    losses = [_loss(*pair, boxcars) for pair in zip(true.tolist(), fitted.tolist(), strict=True)]
    return np.array(losses).reshape(np.shape(base_s))


def surely_no_wider(base_s: npt.ArrayLike, rate_hz: float) -> Floats:
    """Base widths of successive blows, shape (m,), none wider than the median of its neighbours.

    With few samples to a blow its width reads too long just where its peak reads low: 2.6 samples whose apex
    lies between two of them read as 3.0. The median of 11 blows is right to 2 %. A width that is not known,
    or below what can be measured, is that median; NaN where none is known.
    """
    base: Floats = np.array(base_s, dtype=np.float64, ndmin=1)
    known = np.isfinite(base)
    if not known.any():
        return base
    usual = median_filter(np.where(known, base, np.median(base[known])), _NEIGHBOURS, mode="reflect")
    readable = known & (base * rate_hz >= LEAST_SAMPLES)
    return np.asarray(np.where(readable, np.minimum(base, usual), usual))


def corrected_width_s(base_s: npt.ArrayLike, boxcars_s: tuple[float, ...]) -> Floats:
    """Base width before the filter from the one behind it: second moments add."""
    base = np.asarray(base_s, dtype=np.float64)
    widened = sum(length**2 for length in boxcars_s) / 12.0 / _HALF_SINE_VARIANCE
    return np.asarray(np.sqrt(np.maximum(np.square(base) - widened, np.square(_LEAST_CORRECTED * base))))


def _loss(samples: float, parabola: bool, boxcars: tuple[float, ...]) -> float:
    """Worst loss of a blow with so many samples on its base; NaN where they are not known."""
    if not math.isfinite(samples) or samples <= 0.0:
        return math.nan
    return _worst(math.floor(math.log(samples) / _STEP), parabola, boxcars)


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


def _readings(sampled: Floats, parabola: bool) -> Floats:
    """The peak read at each phase, shape (phases,), from samples of shape (phases, n)."""
    apex = sampled.argmax(axis=1)
    phases = np.arange(len(sampled))
    left, top, right = (sampled[phases, np.clip(apex + by, 0, sampled.shape[1] - 1)] for by in (-1, 0, 1))
    if not parabola:
        return np.asarray(top)
    bend = left - 2.0 * top + right
    return np.asarray(top - np.square(left - right) / (8.0 * np.where(bend < 0.0, bend, -np.inf)))


def why_unresolved(rate_hz: float, width_s: float = math.nan) -> str:
    """Why blows cannot be measured one by one at this rate, in words; empty where they can.

    ``width_s`` is the full width at half maximum of the blows as far as it is known. A converter filter
    widens what it sees, so below :data:`LEAST_RATE_HZ` the answer does not depend on it.
    """
    if rate_hz < LEAST_RATE_HZ:
        return (
            f"{rate_hz:g} samples a second cannot show single blows, which last 0.3 to 3 ms;"
            f" {LEAST_RATE_HZ:g} a second are the least"
        )
    samples = BASE_OVER_FWHM * width_s * rate_hz
    if samples < LEAST_SAMPLES:
        return (
            f"blows are only {math.floor(100.0 * samples) / 100.0:g} samples wide at {rate_hz:g} samples a "
            "second;"
            f" {LEAST_SAMPLES:g} are needed to measure one"
        )
    return ""
