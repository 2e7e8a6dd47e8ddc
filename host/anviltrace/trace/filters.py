"""Channel frequency class (CFC) filters by name, run forward and backward so that nothing is delayed.

SAE J211-1 and ISO 6487 write the same two-pole filter with different factors k (as public programs and
vendors' pages cite them). With ωd = 2π·CFC·k, ωa = tan(ωd·T/2), T the time between samples, and
D = 1 + √2·ωa + ωa²: a0 = a2 = ωa²/D, a1 = 2·a0, b1 = −2·(ωa² − 1)/D, b2 = (−1 + √2·ωa − ωa²)/D, and
y[n] = a0·x[n] + a1·x[n−1] + a2·x[n−2] + b1·y[n−1] + b2·y[n−2]. The pole frequency is exact at every rate; the
frequency at which both passes together are down by 3 dB is not: nominally 5/3·CFC, it rises at low rates,
for CFC1000 at 10,000 samples a second to 1751 Hz.

Edges. Both ends are continued by the record itself, turned about its first and last value, for as long as
the filter remembers, and each pass begins as if that had always been so: a level, and a steady slope, come
out as they went in. What lies within :func:`memory_s` of an edge still rests on that continuation.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from anviltrace.trace.outline import BASE_OVER_FWHM

Floats = npt.NDArray[np.float64]

SAE_FACTOR = 2.0775
ISO_FACTOR = 25.0 / 12.0
LEAST_RATE_PER_CLASS = 10.0
"""Samples a second for each unit of the class (SAE J211-1: 6000 for CFC600, 10,000 for CFC1000)."""

_RATE_OFF = 0.01
"""A measured rate may lie so far below the nominal one."""
_FORGOTTEN = 1e-6
_STEPS = 4096


@dataclass(frozen=True, slots=True)
class ChannelFilter:
    """One filter: ``cfc`` is its class in hertz, ``factor`` the k of its standard."""

    name: str
    cfc: float
    factor: float
    standard: str


FILTERS = {
    f"CFC{cfc}{suffix}": ChannelFilter(f"CFC{cfc}{suffix}", float(cfc), factor, standard)
    for suffix, factor, standard in (("", SAE_FACTOR, "SAE J211-1"), ("-ISO", ISO_FACTOR, "ISO 6487"))
    for cfc in (60, 180, 600, 1000)
}
"""Every filter by its name: CFC60 to CFC1000 of SAE J211-1, with -ISO behind those of ISO 6487."""


def why_too_slow(chosen: ChannelFilter, rate_hz: float) -> str:
    """Why a record at this rate cannot be filtered so, in words; empty where it can."""
    least_hz = LEAST_RATE_PER_CLASS * chosen.cfc
    if rate_hz >= (1.0 - _RATE_OFF) * least_hz:
        return ""
    return (
        f"{chosen.name} needs {least_hz:g} samples a second and the record has {rate_hz:g}: choose a lower"
        " class, or none"
    )


def coefficients(chosen: ChannelFilter, rate_hz: float) -> tuple[Floats, Floats]:
    """Numerator (a0, a1, a2) and denominator (1, −b1, −b2) of one pass."""
    edge = math.tan(math.pi * chosen.cfc * chosen.factor / rate_hz)
    bottom = 1.0 + math.sqrt(2.0) * edge + edge**2
    top = edge**2 / bottom
    b1 = -2.0 * (edge**2 - 1.0) / bottom
    b2 = (-1.0 + math.sqrt(2.0) * edge - edge**2) / bottom
    return np.array([top, 2.0 * top, top]), np.array([1.0, -b1, -b2])


def cutoff_hz(chosen: ChannelFilter, rate_hz: float) -> float:
    """Where both passes together are down by 3 dB (to 1/√2) at this rate."""
    edge = math.tan(math.pi * chosen.cfc * chosen.factor / rate_hz)
    return rate_hz / math.pi * math.atan(edge * (math.sqrt(2.0) - 1.0) ** 0.25)


def nominal_hz(chosen: ChannelFilter) -> float:
    """Where they are nominally down by 3 dB: 5/3 of the class."""
    return 5.0 / 3.0 * chosen.cfc


def memory_s(chosen: ChannelFilter) -> float:
    """Time after which the filter has forgotten all but a millionth of what it saw."""
    return -math.sqrt(2.0) * math.log(_FORGOTTEN) / (2.0 * math.pi * chosen.cfc * chosen.factor)


def filtered(values: npt.ArrayLike, rate_hz: float, chosen: ChannelFilter) -> Floats:
    """``values`` (shape (n,), contiguous) through both passes, same shape and unit, not delayed.

    ValueError where the rate is too low.
    """
    from scipy.signal import lfilter, lfilter_zi

    if reason := why_too_slow(chosen, rate_hz):
        raise ValueError(reason)
    samples = np.asarray(values, dtype=np.float64)
    if samples.size < 2:
        return samples.copy()
    top, bottom = coefficients(chosen, rate_hz)
    still = lfilter_zi(top, bottom)
    reach = min(math.ceil(memory_s(chosen) * rate_hz), samples.size - 1)
    passed = _continued(samples, reach)
    for _ in range(2):
        passed, _ = lfilter(top, bottom, passed, zi=still * passed[0])
        passed = passed[::-1]
    return np.ascontiguousarray(passed[reach : reach + samples.size])


def gain(chosen: ChannelFilter, rate_hz: float, frequency_hz: npt.ArrayLike) -> Floats:
    """Share of a sinusoid that both passes leave, in the shape of ``frequency_hz`` (up to half the rate)."""
    edge = math.tan(math.pi * chosen.cfc * chosen.factor / rate_hz)
    turned = np.tan(np.pi * np.asarray(frequency_hz, dtype=np.float64) / rate_hz) / edge
    return np.asarray(1.0 / (1.0 + turned**4))


def peak_kept(chosen: ChannelFilter, rate_hz: float, base_s: npt.ArrayLike) -> Floats:
    """Share of its peak that half a sine of the base width ``base_s`` keeps, in that shape.

    Sampled with a sample on its apex: there the filter gives the samples weighted with what it makes of a
    single one. Its area is kept whole. NaN where the width is.
    """
    return _kept(chosen, rate_hz, base_s, lambda turns: np.cos(np.pi * turns))


def cap_kept(chosen: ChannelFilter, rate_hz: float, base_s: npt.ArrayLike) -> Floats:
    """The same of a parabola that is as wide at half its height as that half sine.

    The cap of a blow over the level of a joint looks like it; there is less area under it, so that a narrow
    one keeps less.
    """
    wide = math.sqrt(2.0) / BASE_OVER_FWHM
    return _kept(chosen, rate_hz, wide * np.asarray(base_s), lambda turns: 1.0 - 4.0 * np.square(turns))


def _kept(
    chosen: ChannelFilter, rate_hz: float, base_s: npt.ArrayLike, pulse: Callable[[Floats], Floats]
) -> Floats:
    width = np.ravel(np.asarray(base_s, dtype=np.float64))
    reach = math.ceil(memory_s(chosen) * rate_hz)
    single = np.zeros(2 * reach + 1)
    single[reach] = 1.0
    turns = np.arange(-reach, reach + 1) / (rate_hz * width[:, np.newaxis])
    kept = np.where(np.abs(turns) < 0.5, pulse(turns), 0.0) @ filtered(single, rate_hz, chosen)
    return np.where(np.isfinite(width), kept, np.nan).reshape(np.shape(base_s))


def noise_kept(chosen: ChannelFilter, rate_hz: float) -> float:
    """Share of its standard deviation that white noise keeps."""
    frequency = (np.arange(_STEPS) + 0.5) * (0.5 * rate_hz / _STEPS)
    return float(np.sqrt(np.mean(np.square(gain(chosen, rate_hz, frequency)))))


def _continued(samples: Floats, reach: int) -> Floats:
    """Both ends continued by ``reach`` samples: the record turned by half a turn about its end values."""
    before = 2.0 * samples[0] - samples[reach:0:-1]
    after = 2.0 * samples[-1] - samples[-2 : -reach - 2 : -1]
    return np.concatenate((before, samples, after))
