"""Vibration at the handle: ISO 5349-1 weighting, total value, exposure, and what the hand has to take.

The frequency weighting Wh has the exact parameters of ISO 8041-1 (a second-order band limiting at 10^0.8 and
10^3.1 Hz with Q = 1/√2, and the a-v transition at 100/2π Hz with Q = 0.64; there is no upward step). It is
applied as the response itself, to the spectrum of a record with zeros appended, so its magnitude is exact
at every frequency below half the sampling rate, and so is its phase. What was sampled must not hold
frequencies beyond that: no filter can take out what has folded back.

Exposure: EU directive 2002/44/EC, annex part A, which refers to ISO 5349-1.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
import numpy.typing as npt
from scipy.fft import next_fast_len

from anviltrace.trace.aside import Aside

Floats = npt.NDArray[np.float64]
Complexes = npt.NDArray[np.complex128]

LOW_HZ, HIGH_HZ = 10.0**0.8, 10.0**3.1
"""Band limiting: mid-band frequencies of the lowest and highest one-third octave band, 6.3 and 1250 Hz."""
Q_BAND = 1.0 / math.sqrt(2.0)
TRANSITION_HZ, Q_TRANSITION = 100.0 / (2.0 * math.pi), 0.64

LEAST_RATE_HZ = 2.15 * 10.0**3.15
"""The band's upper edge, 1412.5 Hz, lies below half of it, with a little to spare: a sensor of 3,200 samples
a second is of use. Analysers take 2.56 samples per period of that edge, 3616 a second (common practice)."""
FULL_RATE_HZ = 8.0 * HIGH_HZ
"""Below this rate the recorder's filter against folding back lies near the band, so it must be a good one."""
_SETTLE_S = 0.5
"""Zeros appended: after them the slowest part of the weighting has died down by more than 10^7."""

ACTION_M_PER_S2, LIMIT_M_PER_S2 = 2.5, 5.0
"""Daily exposure action and limit value, A(8): Directive 2002/44/EC, article 3."""
DAY_S = 8.0 * 3600.0
POINTS_AT_ACTION = 100.0
"""Exposure points of a day at the action value (HSE, exposure points system)."""

GRAVITY_M_PER_S2 = 9.80665
_SLOW_HZ = 5.0
_TURNED_OVER = 2.0 * GRAVITY_M_PER_S2
LEAST_PER_INTERVAL = 20
"""Samples between two blows from which the swing of the handle in between can be followed."""


def band_limiting(frequency_hz: npt.ArrayLike) -> Complexes:
    """Response of the band limiting of Wh, shape as given (0 is allowed)."""
    s = 2.0j * math.pi * np.asarray(frequency_hz, dtype=np.float64)
    w1, w2 = 2.0 * math.pi * LOW_HZ, 2.0 * math.pi * HIGH_HZ
    return np.asarray(s**2 * w2**2 / ((s**2 + s * w1 / Q_BAND + w1**2) * (s**2 + s * w2 / Q_BAND + w2**2)))


def weighting(frequency_hz: npt.ArrayLike) -> Complexes:
    """Response of Wh, band limiting included, shape as given."""
    s = 2.0j * math.pi * np.asarray(frequency_hz, dtype=np.float64)
    w4 = 2.0 * math.pi * TRANSITION_HZ
    return np.asarray(
        band_limiting(frequency_hz) * (1.0 + s / w4) / (1.0 + s / (Q_TRANSITION * w4) + (s / w4) ** 2)
    )


def weighted(acceleration: npt.ArrayLike, rate_hz: float) -> Floats:
    """Acceleration weighted with Wh, shape (n,) and unit as given.

    The mean of the record is taken out first: gravity, and the offset of a sensor. Raises ValueError below
    :data:`LEAST_RATE_HZ`.
    """
    return _through(acceleration, rate_hz, weighting)


def band_limited(acceleration: npt.ArrayLike, rate_hz: float) -> Floats:
    """Acceleration with the band limiting of Wh alone, 6.3 to 1250 Hz, shape (n,) and unit as given."""
    return _through(acceleration, rate_hz, band_limiting)


def why_too_slow(rate_hz: float) -> str:
    """Why nothing can be said at a sampling rate; empty where it can."""
    if rate_hz >= LEAST_RATE_HZ:
        return ""
    return (
        f"{rate_hz:.0f} samples/s are too few for a band up to 1250 Hz: sample at {LEAST_RATE_HZ:.0f} a "
        f"second at least, better at {FULL_RATE_HZ:.0f}"
    )


def rms(values: Floats) -> float:
    """Root mean square; 0 of nothing."""
    return math.sqrt(float(values @ values) / len(values)) if len(values) else 0.0


def weighted_axis(axis: Aside) -> Aside:
    """One axis behind Wh, as a whole: so nothing sets in where a stretch of it begins."""
    return replace(axis, values=weighted(_held_still(axis), axis.rate_hz))


def rms_of(axis: Aside, from_s: float, to_s: float) -> float:
    """Root mean square of a stretch, without what is missing in it; of a weighted axis a_hw in m/s²."""
    return rms(axis.there(from_s, to_s))


def total_value(axes: Iterable[float]) -> float:
    """Vibration total value a_hv: root of the sum of squares of the three axes."""
    return math.sqrt(sum(a**2 for a in axes))


def daily_exposure(tasks: Iterable[tuple[float, float]]) -> float:
    """A(8) in m/s² of a day's tasks: a_hv in m/s² and duration in seconds of each."""
    return math.sqrt(sum(a**2 * duration_s for a, duration_s in tasks) / DAY_S)


def exposure_points(a_hv: float, duration_s: float) -> float:
    """Exposure points of a task; those of a day's tasks add up, and 100 are the action value."""
    return POINTS_AT_ACTION * (a_hv / ACTION_M_PER_S2) ** 2 * duration_s / DAY_S


def time_to(a8: float, a_hv: float) -> float:
    """Seconds a day after which a_hv alone makes up a daily exposure of ``a8``; both in m/s², positive."""
    return DAY_S * (a8 / a_hv) ** 2


def offset_shift(axis: Aside, before_s: float, from_s: float, to_s: float) -> float:
    """How far the slow part of an axis (below 5 Hz) went from its mean before ``before_s``, in m/s².

    A tool that is turned over changes it by 2 g; what goes further moved the sensor's zero (DC shift). NaN
    where nothing lies before.
    """
    rest = axis.between(axis.start_s, before_s)
    if not len(rest):
        return math.nan
    length = max(1, round(axis.rate_hz / _SLOW_HZ))
    values = axis.between(from_s, to_s)
    blocks = len(values) // length
    if not blocks:
        return abs(float(values.mean()) - float(rest.mean())) if len(values) else math.nan
    means = values[: blocks * length].reshape(blocks, length).mean(axis=1)
    return float(np.abs(means - rest.mean()).max())


def is_shifted(shift_m_per_s2: float) -> bool:
    """Whether the zero of a sensor must have moved: no handle is held for 0.2 s at more than that."""
    return shift_m_per_s2 > _TURNED_OVER


@dataclass(frozen=True, slots=True)
class Kicks:
    """What each blow does to the handle, shape (m,) for m intervals between blows that are whole.

    ``peak_m_per_s2`` is the largest acceleration of 6.3 to 1250 Hz, ``swing_m_per_s`` how far the velocity
    goes from what it was at the blow; both are lengths of vectors.
    """

    peak_m_per_s2: Floats
    swing_m_per_s: Floats


def limited_axis(axis: Aside) -> Aside:
    """One axis with the band limiting alone."""
    return replace(axis, values=band_limited(_held_still(axis), axis.rate_hz))


def _held_still(axis: Aside) -> Floats:
    """Values with their mean where samples are missing: a line from one swing to another would be a slow
    acceleration that never was, and the weighting takes slow ones most."""
    if not axis.missing.any():
        return axis.values
    return np.where(axis.missing, float(axis.values[~axis.missing].mean()), axis.values)


def kicks(axes: Sequence[Aside], limited: Sequence[Aside], blows_s: Floats) -> Kicks:
    """Acceleration and swing of the handle from blow to blow; the axes, as recorded and band-limited, are on
    one grid, shape (n,) each.

    Within each interval the mean of each axis is taken out before integrating, since a handle that is held
    has at its end the velocity it had at its beginning; so neither gravity nor a drifting zero adds up.
    """
    rate_hz = axes[0].rate_hz
    lengths = np.sqrt(sum(axis.values**2 for axis in limited))
    raw = np.stack([axis.values for axis in axes])
    peaks, swings = [], []
    for start_s, end_s in pairwise(blows_s):
        part = axes[0].stretch(float(start_s), float(end_s))
        if any(axis.missing[part].any() for axis in axes):
            continue
        peaks.append(float(lengths[part].max()))
        swings.append(_swing(raw[:, part], rate_hz))
    return Kicks(np.array(peaks), np.array(swings))


def turns(rate: Aside, blows_s: Floats) -> Floats:
    """Largest angle in rad by which the handle turned from where it was at the blow, for each interval in
    which nothing is missing."""
    return np.array(
        [
            _swing(rate.between(float(start_s), float(end_s))[np.newaxis], rate.rate_hz)
            for start_s, end_s in pairwise(blows_s)
            if not rate.missing_share(float(start_s), float(end_s))
        ]
    )


def _swing(values: Floats, rate_hz: float) -> float:
    """Largest length of the running integral of values less their mean, shape (axes, n)."""
    free = values - values.mean(axis=1, keepdims=True)
    gone = np.cumsum(0.5 * (free[:, 1:] + free[:, :-1]), axis=1) / rate_hz
    return float(np.sqrt((gone**2).sum(axis=0)).max()) if gone.size else 0.0


def _through(
    acceleration: npt.ArrayLike, rate_hz: float, response: Callable[[npt.ArrayLike], Complexes]
) -> Floats:
    if reason := why_too_slow(rate_hz):
        raise ValueError(reason)
    values = np.asarray(acceleration, dtype=np.float64)
    length = int(next_fast_len(len(values) + math.ceil(_SETTLE_S * rate_hz), real=True))
    spectrum = np.fft.rfft(values - values.mean(), length)
    spectrum *= response(np.fft.rfftfreq(length, 1.0 / rate_hz))
    return np.asarray(np.fft.irfft(spectrum, length)[: len(values)])
