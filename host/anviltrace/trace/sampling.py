"""What sampling, the converter's filter and the transducer's resonance do to half a sine.

Half a sine is the pulse of a hammer on a spring. ``N`` is the number of samples on its *base* width w
(sample rate times w; the full width at half maximum is 2w/3), the phase of the sampling is unknown and
evenly distributed. Losses are shares of the true peak, positive when the reading is low.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from anviltrace.trace.blows import BASE_OVER_FWHM

Floats = npt.NDArray[np.float64]

LEAST_RATE_HZ = 1000.0
"""Below it no blow of a wrench (0.3 to 3 ms) is resolved, whatever its width reads."""
LEAST_SAMPLES = 2.5
"""Samples on the base width below which a blow is not measured: its peak may read 19 % low."""

_TERMS = 400
_HARMONICS = 20_000
_GRID = 4001


def peak_loss_worst(samples_on_base: npt.ArrayLike) -> Floats:
    """Largest loss of a sampled peak: 1 − cos(π/2N) for N of 1 and more, else all of it."""
    count = np.asarray(samples_on_base, dtype=np.float64)
    return np.where(count >= 1.0, 1.0 - np.cos(0.5 * np.pi / np.maximum(count, 1.0)), 1.0)


def peak_loss_mean(samples_on_base: npt.ArrayLike) -> Floats:
    """Mean loss of a sampled peak: 1 − (2N/π)·sin(π/2N); below N = 1 a pulse may be missed, 1 − 2N/π."""
    count = np.asarray(samples_on_base, dtype=np.float64)
    return 1.0 - (2.0 * count / np.pi) * np.sin(0.5 * np.pi / np.maximum(count, 1.0))


def impulse_error_sd(samples_on_base: npt.ArrayLike) -> Floats:
    """Standard deviation of a sampled impulse (trapezoid, zeros outside) as a share; its mean error is 0.

    By Poisson's formula the sum of the samples is that of the spectrum at multiples k of the sample rate:
    variance = 2·Σ (cos(πkN)/(1 − 4k²N²))², k from 1.
    """
    count = np.asarray(samples_on_base, dtype=np.float64)[..., np.newaxis]
    spectrum = _spectrum(count * np.arange(1, _TERMS + 1))
    return np.asarray(np.sqrt(2.0 * np.sum(spectrum**2, axis=-1)))


def _spectrum(cycles: Floats) -> Floats:
    """Spectrum of half a sine over its value at 0: cos(πc)/(1 − 4c²) at c cycles per base width."""
    below = 1.0 - 4.0 * np.square(cycles)
    at_pole = np.abs(below) < 1e-9
    return np.where(at_pole, 0.25 * np.pi, np.cos(np.pi * cycles) / np.where(at_pole, 1.0, below))


@dataclass(frozen=True, slots=True)
class PeakLoss:
    """Loss of a filtered and sampled peak: at the best, the mean and the worst phase."""

    best: float
    mean: float
    worst: float


def filtered_peak_loss(width_s: float, boxcars_s: Sequence[float], sample_s: float) -> PeakLoss:
    """Loss of half a sine of base width ``width_s`` behind moving averages, sampled every ``sample_s``.

    ``boxcars_s`` are the lengths of the averages. A sinc filter of order 5 with values every T is five of
    length T; the mean of n of its values turns one of the five into one of length n·T; a converter that
    integrates is one of length ``sample_s``. None leave the plain sampling loss. The filtered pulse is
    summed from its Fourier series over a period longer than it is.
    """
    period_s = 2.0 * (width_s + sum(boxcars_s) + sample_s)
    frequency = np.arange(1, _HARMONICS + 1) / period_s
    spectrum = _spectrum(frequency * width_s)
    for length_s in boxcars_s:
        spectrum = spectrum * np.sinc(frequency * length_s)
    offset = np.linspace(0.0, 0.5 * sample_s, 33)
    waves = np.cos(2.0 * np.pi * offset[:, np.newaxis] * frequency)
    pulse = (2.0 * width_s / np.pi / period_s) * (1.0 + 2.0 * waves @ spectrum)
    mean = float(np.mean(0.5 * (pulse[1:] + pulse[:-1])))
    return PeakLoss(1.0 - float(pulse[0]), 1.0 - mean, 1.0 - float(pulse[-1]))


@dataclass(frozen=True, slots=True)
class SensorResponse:
    """Largest response of a second-order transducer to half a sine of peak 1.

    ``primary`` during the pulse, ``residual`` after it.
    """

    primary: float
    residual: float

    @property
    def maximax(self) -> float:
        """The larger of the two: what a peak reads."""
        return max(self.primary, self.residual)


def sensor_response(natural_times_width: float, damping: float) -> SensorResponse:
    """Response of a transducer with ``natural_times_width`` periods to a base width and ``damping`` below 1.

    In closed form: with b = 1/(2·fn·w), the response to a sine that begins at 0 is
    Y·sin(πt/w − φ) + e^(−ζωt)·(C·cos ωd·t + D·sin ωd·t), Y = 1/√((1 − b²)² + (2ζb)²); half a sine is that and
    the same again one width later.
    """
    if not (natural_times_width > 0.0 and 0.0 <= damping < 1.0):
        raise ValueError(
            f"no response for {natural_times_width} periods to a pulse and a damping of {damping};"
            " the first must be above 0, the second from 0 to below 1"
        )
    during = np.linspace(0.0, 1.0, _GRID)
    after = np.linspace(1.0, 1.0 + 1.0 / natural_times_width, _GRID)
    first = _sine_response(during, natural_times_width, damping)
    rest = _sine_response(after, natural_times_width, damping)
    rest = rest + _sine_response(after - 1.0, natural_times_width, damping)
    return SensorResponse(_largest(first), _largest(rest))


def _sine_response(widths: Floats, natural_times_width: float, damping: float) -> Floats:
    """Response at times in base widths to sin(π·t) from 0 on; resonance is stepped past by 1e-9."""
    ratio = 0.5 / natural_times_width
    if damping == 0.0 and abs(ratio - 1.0) < 1e-9:
        ratio += 1e-7
    omega = np.pi / ratio
    below, lag = 1.0 - ratio**2, 2.0 * damping * ratio
    gain, phase = 1.0 / math.hypot(below, lag), math.atan2(lag, below)
    damped = omega * math.sqrt(1.0 - damping**2)
    cosine = gain * math.sin(phase)
    sine = (damping * omega * cosine - np.pi * gain * math.cos(phase)) / damped
    free = cosine * np.cos(damped * widths) + sine * np.sin(damped * widths)
    forced = gain * np.sin(np.pi * widths - phase)
    return np.asarray(forced + np.exp(-damping * omega * widths) * free)


def _largest(curve: Floats) -> float:
    """Largest value of a smooth curve on an even grid, by a parabola at its largest point."""
    top = int(curve.argmax())
    if not 0 < top < curve.size - 1:
        return float(curve[top])
    left, middle, right = curve[top - 1 : top + 2].tolist()
    bend = left - 2.0 * middle + right
    return float(middle - 0.125 * (left - right) ** 2 / bend) if bend < 0.0 else float(middle)


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
            f"blows are only {samples:.1f} samples wide at {rate_hz:g} samples a second;"
            f" {LEAST_SAMPLES:g} are needed to measure one"
        )
    return ""
