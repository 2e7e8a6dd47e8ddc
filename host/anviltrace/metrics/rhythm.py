"""Metrics of how often a tool strikes and how evenly."""

from __future__ import annotations

import math

import numpy as np

from anviltrace.metrics.analysis import Analysis
from anviltrace.metrics.levels import MEDIAN_OVER_MEAN
from anviltrace.metrics.results import Value
from anviltrace.metrics.uncertainty import Part, rectangular
from anviltrace.metrics.values import stated, withheld

CLOCK_PPM = 100.0
"""How far a board's clock may be off (common practice for a crystal: 30 to 50 ppm)."""
LEAST_BLOWS = 3
_ON_A_SAMPLE = 1e-6
_FEW_WHOLE = 0.1
"""A blow is timed in whole samples when it lies so near to one; up to this share of them does no harm."""


def rate(a: Analysis) -> Value:
    """Blows a second, from the median of the normal intervals."""
    if reason := _too_few(a):
        return withheld("blow_rate", reason)
    per_s = a.rhythm.per_s
    u_interval, grain_s = _timing_of_median_s(a)
    parts = [
        Part("times of the blows", per_s**2 * u_interval),
        rectangular("whole samples", per_s**2 * grain_s),
        _clock(per_s),
    ]
    return stated("blow_rate", per_s, parts, flags=(_nominal(a),))


def mean_rate(a: Analysis) -> Value:
    """Blows a second from the first to the last, missed ones in the time."""
    found = a.rhythm
    if not math.isfinite(found.mean_per_s):
        return withheld("blow_rate_mean", "one blow has no rate: 2 are needed")
    ends_s = math.sqrt(2.0) * _half_sample_s(a) / math.sqrt(3.0)
    ends = found.mean_per_s**2 * ends_s / found.intervals
    parts = [Part("first and last blow", ends), _clock(found.mean_per_s)]
    return stated("blow_rate_mean", found.mean_per_s, parts, flags=(_nominal(a),))


def interval_median(a: Analysis) -> Value:
    """Median of the normal intervals, milliseconds."""
    if reason := _too_few(a):
        return withheld("interval_median", reason)
    interval_ms = 1e3 / a.rhythm.per_s
    u_interval, grain_s = _timing_of_median_s(a)
    parts = [
        Part("times of the blows", 1e3 * u_interval),
        rectangular("whole samples", 1e3 * grain_s),
        _clock(interval_ms),
    ]
    return stated("interval_median", interval_ms, parts, flags=(_nominal(a),))


def interval_sd(a: Analysis) -> Value:
    """Standard deviation of the normal intervals, milliseconds."""
    if reason := _too_few(a):
        return withheld("interval_sd", reason)
    return stated("interval_sd", 1e3 * a.rhythm.sd_s, [_timing_of_sd(a, 1e3)])


def interval_cv(a: Analysis) -> Value:
    """Standard deviation of the normal intervals over their mean, percent."""
    if reason := _too_few(a):
        return withheld("interval_cv", reason)
    cv = 100.0 * a.rhythm.cv
    return stated("interval_cv", cv, [_timing_of_sd(a, cv / a.rhythm.sd_s if a.rhythm.sd_s else 0.0)])


def missed(a: Analysis) -> Value:
    """Blows that seem missed."""
    return stated("missed_blows", float(a.rhythm.missed), [])


def doubled(a: Analysis) -> Value:
    """Second blows of doubles."""
    return stated("double_blows", float(a.rhythm.doubles), [])


def _too_few(a: Analysis) -> str:
    if math.isfinite(a.rhythm.per_s):
        return ""
    return f"{int(a.driven.sum())} blows are too few for a rate: {LEAST_BLOWS} are needed"


def _half_sample_s(a: Analysis) -> float:
    return 0.5 / a.signal.rate_hz


def _timing_of_median_s(a: Analysis) -> tuple[float, float]:
    """Standard uncertainty of the median interval, seconds, and the half width that whole samples add.

    A median of whole numbers is one itself, however many there are. Blows wide enough for a parabola are
    timed between samples, and then that half width is nothing.
    """
    assert a.blows is not None
    at = a.blows.apex_s[a.driven] * a.signal.rate_hz
    whole = np.abs(at - np.rint(at)) < _ON_A_SAMPLE
    timing_s = _half_sample_s(a) / math.sqrt(3.0)
    u_interval = MEDIAN_OVER_MEAN * math.sqrt(2.0) * timing_s / math.sqrt(max(1, a.rhythm.normal))
    return u_interval, _half_sample_s(a) if float(np.mean(whole)) > _FEW_WHOLE else 0.0


def _timing_of_sd(a: Analysis, factor: float) -> Part:
    """What timing to half a sample at both ends may have added to the spread, times ``factor``."""
    sd_s, added = a.rhythm.sd_s, 2.0 * _half_sample_s(a) ** 2 / 3.0
    return rectangular("times of the blows", factor * (sd_s - math.sqrt(max(0.0, sd_s**2 - added))))


def _clock(value: float) -> Part:
    return rectangular("clock of the board", 1e-6 * CLOCK_PPM * value, common=True)


def _nominal(a: Analysis) -> str:
    known = a.facts.context.run.rate_hz
    return "" if known else "counted with the nominal rate: the measured one is not known"
