"""What a transducer that rings shows of a blow: a second-order system under a single pulse, in closed form.

The shaft of a rig follows the torque x as y'' + 2ζω·y' + ω²·y = ω²·x. What matters is how often the rig
swings while the blow lasts, fn·w (natural frequency times base width), and the damping ratio ζ. Few swings
make the peak that is shown higher than it was, by as much as 77 % at fn·w = 0.81, and the blow longer.

Two pulses stand for what blows look like, so that a bound does not hang on one of them: half a sine, what a
hammer on a spring gives, and a parabola, its cap over the level of a joint that holds torque already.

Half a sine, time in base widths, b = 1/(2·fn·w): Y·sin(πt − φ) + e^(−ζωt)·(C·cos ωd·t + D·sin ωd·t),
Y = 1/√((1 − b²)² + (2ζb)²), tan φ = 2ζb/(1 − b²), C = Y·sin φ, D = (ζω·C − Y·π·cos φ)/ωd; from the end of
the pulse on the same again, one width later. A parabola 4t(1 − t) likewise, with a polynomial instead of
the sine.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]
Response = Callable[[Floats, float, float], Floats]

LEAST_SWINGS = 1.5
"""Observed fn·w below which a peak or a width tells more of the rig than of the blow."""

_BASE_OVER_FWHM = 1.5
_TRIED = np.concatenate((np.arange(1.0, 12.0, 0.1), np.geomspace(12.0, 60.0, 70)))
_LAST = 40.0
"""Bounds of more swings than this are those of so many."""
_BETWEEN = 0.97
"""What lies between two of the swings tried is covered by looking so much further down."""
_POINTS, _PER_SWING = 400, 20
_DAMPING_STEP = 0.05
"""Damping ratios are rounded to 5 %, outwards, so that runs share a table."""


@dataclass(frozen=True, slots=True)
class Shown:
    """What is shown of a pulse with the height 1 and the base width 1: largest values during it and after,
    the time of the larger one, full width at half of it, and the time from 10 to 90 % of it.
    """

    primary: float
    residual: float
    apex: float
    width: float
    rise: float

    @property
    def peak(self) -> float:
        """The larger of both."""
        return max(self.primary, self.residual)


@dataclass(frozen=True, slots=True)
class Bounds:
    """By how much truth may lie above and below what is shown, as shares of what is shown."""

    above: Floats
    below: Floats


@dataclass(frozen=True, slots=True)
class ResponseTable:
    """Bounds by observed fn·w (natural frequency times 1.5 times the full width at half maximum shown).

    Each entry is the largest departure of any of the pulses that is observed with as many swings or more.
    """

    swings: Floats
    _ratios: dict[str, tuple[Floats, Floats]]

    def peak(self, swings: npt.ArrayLike) -> Bounds:
        """Bounds of the height of a peak over its level, in the shape of ``swings``; NaN where that is."""
        return self._at("peak", swings)

    def width(self, swings: npt.ArrayLike) -> Bounds:
        """Bounds of the full width at half maximum."""
        return self._at("width", swings)

    def rise(self, swings: npt.ArrayLike) -> Bounds:
        """Bounds of the time from 10 to 90 % of the height."""
        return self._at("rise", swings)

    def _at(self, name: str, swings: npt.ArrayLike) -> Bounds:
        wanted = np.asarray(swings, dtype=np.float64)
        place = np.searchsorted(self.swings, np.fmin(wanted * _BETWEEN, _LAST), side="right") - 1
        lowest, highest = (ratio[np.maximum(place, 0)] for ratio in self._ratios[name])
        unknown = np.where(np.isfinite(wanted), 0.0, np.nan)
        above = np.maximum(0.0, 1.0 / lowest - 1.0) + unknown
        return Bounds(above, np.maximum(0.0, 1.0 - 1.0 / highest) + unknown)


def half_sine_response(widths: Floats, swings: float, damping: float) -> Floats:
    """Response at times in base widths (from 0 on) to half a sine of the height 1; fn·w = ``swings``."""
    first = _from_sine(widths, swings, damping)
    return first + np.where(widths > 1.0, _from_sine(np.maximum(widths - 1.0, 0.0), swings, damping), 0.0)


def parabola_response(widths: Floats, swings: float, damping: float) -> Floats:
    """The same to the parabola 4t(1 − t)."""
    first = _from_polynomial(widths, 4.0, -4.0, swings, damping)
    after = _from_polynomial(np.maximum(widths - 1.0, 0.0), 4.0, 4.0, swings, damping)
    return first + np.where(widths > 1.0, after, 0.0)


def shown(response: Response, swings: float, damping: float) -> Shown:
    """Peak, width and rise of what is shown of a pulse. ValueError for a system that cannot be."""
    if not (swings > 0.0 and 0.0 <= damping < 1.0):
        raise ValueError(
            f"no response for {swings} swings to a pulse and a damping of {damping}; the first must be above"
            " 0, the second from 0 to below 1"
        )
    during = np.linspace(0.0, 1.0, _POINTS + round(_PER_SWING * swings))
    after = np.linspace(1.0, 1.0 + 1.0 / swings, _POINTS)
    first, rest = response(during, swings, damping), response(after, swings, damping)
    times = np.concatenate((during, after[1:]))
    curve = np.concatenate((first, rest[1:]))
    apex = int(curve.argmax())
    peak = max(_largest(first), _largest(rest))
    fall = _first_below(times[apex:], curve[apex:], 0.5 * peak)
    rises = [_last_below(times[: apex + 1], curve[: apex + 1], share * peak) for share in (0.1, 0.5, 0.9)]
    return Shown(_largest(first), _largest(rest), float(times[apex]), fall - rises[1], rises[2] - rises[0])


def response_table(least_damping: float, most_damping: float) -> ResponseTable:
    """The table for a damping ratio between the two (each rounded outwards to 5 %)."""
    return _table(
        math.floor(math.log(max(least_damping, 1e-4)) / _DAMPING_STEP),
        math.ceil(math.log(min(max(most_damping, 1e-4), 0.9)) / _DAMPING_STEP),
    )


@lru_cache(maxsize=64)
def _table(least: int, most: int) -> ResponseTable:
    rows = []
    for response, width, rise in ((half_sine_response, *_HALF_SINE), (parabola_response, *_PARABOLA)):
        for damping in {min(math.exp(step * _DAMPING_STEP), 0.95) for step in (least, most)}:
            for count in _TRIED.tolist():
                one = shown(response, count, damping)
                observed = count * _BASE_OVER_FWHM * one.width
                rows.append((observed, one.peak, one.width / width, one.rise / rise))
    table = np.array(sorted(rows))
    names = ("peak", "width", "rise")
    ratios = {name: _envelopes(table[:, column]) for column, name in enumerate(names, 1)}
    return ResponseTable(table[:, 0], ratios)


def _envelopes(ratio: Floats) -> tuple[Floats, Floats]:
    """Least and largest value from each entry to the last one."""
    backwards = ratio[::-1]
    return np.minimum.accumulate(backwards)[::-1], np.maximum.accumulate(backwards)[::-1]


_HALF_SINE = 2.0 / 3.0, (math.asin(0.9) - math.asin(0.1)) / math.pi
_PARABOLA = math.sqrt(0.5), 0.5 * (math.sqrt(0.9) - math.sqrt(0.1))
"""Full width at half maximum and rise of the pulses themselves, in base widths."""


def _from_sine(widths: Floats, swings: float, damping: float) -> Floats:
    """Response to sin(π·t) from 0 on; undamped resonance is stepped past by 1e-7."""
    ratio = 0.5 / swings
    if damping == 0.0 and abs(ratio - 1.0) < 1e-9:
        ratio += 1e-7
    below, lag = 1.0 - ratio**2, 2.0 * damping * ratio
    gain, phase = 1.0 / math.hypot(below, lag), math.atan2(lag, below)
    forced = gain * np.sin(np.pi * widths - phase)
    free = _free(widths, np.pi / ratio, damping, gain * math.sin(phase), -np.pi * gain * math.cos(phase))
    return np.asarray(forced + free)


def _from_polynomial(widths: Floats, slope: float, bend: float, swings: float, damping: float) -> Floats:
    """Response to slope·t + bend·t² from 0 on."""
    omega = 2.0 * np.pi * swings
    linear = slope - 4.0 * damping * bend / omega
    constant = -2.0 * damping * linear / omega - 2.0 * bend / omega**2
    forced = constant + linear * widths + bend * widths**2
    return np.asarray(forced + _free(widths, omega, damping, -constant, -linear))


def _free(widths: Floats, omega: float, damping: float, value: float, slope: float) -> Floats:
    """Free decay that has this value and slope at 0."""
    damped = omega * math.sqrt(1.0 - damping**2)
    sine = (slope + damping * omega * value) / damped
    swing = value * np.cos(damped * widths) + sine * np.sin(damped * widths)
    return np.asarray(np.exp(-damping * omega * widths) * swing)


def _largest(curve: Floats) -> float:
    """Largest value of a smooth curve on an even grid, by a parabola at its largest point."""
    top = int(curve.argmax())
    if not 0 < top < curve.size - 1:
        return float(curve[top])
    left, middle, right = curve[top - 1 : top + 2].tolist()
    bend = left - 2.0 * middle + right
    return float(middle - 0.125 * (left - right) ** 2 / bend) if bend < 0.0 else float(middle)


def _last_below(times: Floats, rise: Floats, threshold: float) -> float:
    """Where a rise crosses a threshold for the last time."""
    at = int(np.flatnonzero(rise <= threshold)[-1])
    return _crossing(times, rise, at, threshold)


def _first_below(times: Floats, fall: Floats, threshold: float) -> float:
    """Where a fall crosses a threshold for the first time; NaN where it does not."""
    below = np.flatnonzero(fall <= threshold)
    return _crossing(times, fall, int(below[0]) - 1, threshold) if below.size else math.nan


def _crossing(times: Floats, curve: Floats, at: int, threshold: float) -> float:
    here, there = float(curve[at]), float(curve[at + 1])
    share = (threshold - here) / (there - here) if there != here else 0.0
    return float(times[at] + share * (times[at + 1] - times[at]))
