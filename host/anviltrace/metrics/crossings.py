"""How far noise moves the places where blows cross a share of their height, and so widths, rises and starts.

Looked for from the apex outwards: the first sample beyond counts. Where noise changes a sample by more than
the blow does from one to the next, that one lies closer to the apex than the blow itself says, so widths read
short and starts late; at nine tenths of the height, where a blow is hardly steep any more, rises read long.
Slopes are those of half a sine as wide at half its height.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from anviltrace.metrics.analysis import Analysis
from anviltrace.trace.blows import BASE_OVER_FWHM
from anviltrace.trace.level import usual

CHORDS = 0.6
"""Straight lines between samples may make a width short or long by so many sample distances over the samples
on the base width, all blows alike (half sines, parabolas and their caps of 2.5 to 12 samples, all phases)."""
_KNOWN_TO = 0.4
"""A crossing is known to so many sample distances beside that: where the rig swings within a blow its outline
bends more than that of half a sine (drawn records whose rig swings 2 to 20 times in a blow)."""
_SCATTER = 0.82
"""Standard deviation of a crossing over noise/slope (tried with 0.1 to 32 samples to that, like the next)."""


@dataclass(frozen=True, slots=True)
class Moved:
    """By how much noise moves a crossing, seconds: standard deviation, and the mean ``towards`` the apex at
    most."""

    sd_s: float
    towards_s: float


def slope(share: float) -> float:
    """Slope of half a sine at a share of its height, in heights to a base width."""
    return math.pi * math.sqrt(1.0 - share**2)


def usual_height(a: Analysis) -> float:
    """Median net peak; 0 where none is known."""
    assert a.blows is not None
    return usual(a.blows.net_peak)


def moved(a: Analysis, share: float, height: float, base_s: float) -> Moved:
    """What noise does to the crossing of ``share`` of a blow so high and wide."""
    if not (height > 0.0 and base_s > 0.0):
        return Moved(0.0, 0.0)
    far_s = a.peak_noise_sd / height / slope(share) * base_s
    return Moved(_SCATTER * far_s, 0.5 * math.log1p(far_s * a.signal.rate_hz) * far_s)


def timing_s(a: Analysis) -> float:
    """Standard deviation that sampling gives the time between two crossings of one blow, seconds."""
    return math.sqrt(2.0) * _KNOWN_TO / math.sqrt(3.0) / a.signal.rate_hz


def of_width(a: Analysis, lifted: float) -> Moved:
    """What noise does to both crossings of half the height of a usual blow, that is to its width.

    ``lifted`` is by how much noise may have lifted apexes, in the unit of the signal; half of that is in the
    half height.
    """
    base_s, height = _usual_base_s(a), usual_height(a)
    each = moved(a, 0.5, height, base_s)
    lift_s = 0.5 * _share(lifted, height) / slope(0.5) * base_s
    return Moved(math.sqrt(2.0) * each.sd_s, 2.0 * (each.towards_s + lift_s))


def of_rise(a: Analysis, lifted: float) -> Moved:
    """What noise does to the rise of a usual blow: ``towards_s`` is by how much it reads long at most.

    Close to the apex half a sine bends: the bound is where it reaches what nine tenths are lifted to, and as
    much more as noise makes of the crossing there.
    """
    base_s, height = _usual_base_s(a), usual_height(a)
    low, high = moved(a, 0.1, height, base_s), moved(a, 0.9, height, base_s)
    flat_s = 2.0 * high.sd_s / _SCATTER
    beyond = 0.5 * math.log1p(flat_s * a.signal.rate_hz) * _share(a.peak_noise_sd, height)
    reached = min(1.0, 0.9 * (1.0 + _share(lifted, height)) + beyond)
    long_s = (math.asin(reached) - math.asin(0.9)) / math.pi * base_s
    return Moved(math.hypot(low.sd_s, high.sd_s), long_s)


def _usual_base_s(a: Analysis) -> float:
    """Base width of a usual blow as it is shown, behind a filter where one was named."""
    assert a.blows is not None
    return BASE_OVER_FWHM * usual(a.blows.width_s)


def _share(lifted: float, height: float) -> float:
    return lifted / height if height > 0.0 else 0.0
