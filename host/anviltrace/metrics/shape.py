"""Metrics of the outline of blows: net peak, rise, shape number, and what stands in place of energy."""

from __future__ import annotations

import math

import numpy as np

from anviltrace.metrics import strikes
from anviltrace.metrics.analysis import Analysis, Marks, Numbers
from anviltrace.metrics.crossings import of_rise, timing_s, usual_height
from anviltrace.metrics.levels import MEDIAN_OVER_MEAN, RING_KEPT
from anviltrace.metrics.results import Value
from anviltrace.metrics.rhythm import mean_rate
from anviltrace.metrics.strikes import by_sign, impulse_mean, singles
from anviltrace.metrics.uncertainty import Part, rectangular
from anviltrace.metrics.values import at_least, stated, withheld
from anviltrace.trace.level import usual

RISE_LONG = 2.8
"""A rise may read long by so many sample distances over the samples on the base width."""
SHAPE_OFF = 1.5
"""A shape number may be off by this over the square of the samples on the base width, relatively. Both: half
sines of 2.5 to 20 samples at all phases."""
NO_ENERGY = "a proxy, not an energy: it compares blows of the same tool on the same rig only"
NO_POWER = "a proxy, not a power: that needs the angle"


def net_peak_mean(a: Analysis) -> Value:
    """Mean of the peaks over the level before them."""
    assert a.blows is not None
    usable = singles(a) & np.isfinite(a.blows.net_peak)
    if not usable.any():
        return withheld("net_peak_mean", "no blow has a quiet stretch before it that gives it a level")
    torques = a.signed(a.blows.peak[usable])
    if reason := a.scale.over_limit(torques):
        return withheld("net_peak_mean", reason)
    heights = a.blows.net_peak[usable]
    parts = [*_calibration(a, usable, heights), *_noise(a, usable)]
    under, over = strikes.mean_bounds(a, usable)
    flags = strikes.peak_flags(a, torques)
    if reason := a.why_no_levels:
        return withheld("net_peak_mean", reason)
    mean = stated(
        "net_peak_mean", float(heights.mean()), parts, under_read=under, over_read=over, flags=flags
    )
    return at_least(mean, a.why_capped(usable))


def rise_median(a: Analysis) -> Value:
    """Median rise from 10 to 90 % of the height, milliseconds."""
    assert a.blows is not None
    rises = a.blows.rise_s[singles(a)]
    rises = rises[np.isfinite(rises)]
    if not len(rises):
        return withheld("rise_median", "no blow crosses 10 and 90 % of its height")
    if reason := strikes.why_no_outline(a):
        return withheld("rise_median", reason)
    timing_ms = 1e3 * timing_s(a)
    by_noise = of_rise(a, strikes.lifted_by_noise(a))
    parts = [
        Part("crossings of 10 and 90 %", MEDIAN_OVER_MEAN * timing_ms / math.sqrt(len(rises))),
        Part("noise", MEDIAN_OVER_MEAN * 1e3 * by_noise.sd_s / math.sqrt(len(rises))),
    ]
    rise_ms = 1e3 * float(np.median(rises))
    above, below = _rise_bounds(a)
    return stated(
        "rise_median",
        rise_ms,
        parts,
        under_read=above * rise_ms,
        over_read=below * rise_ms + 1e3 * by_noise.towards_s,
        flags=strikes.width_flags(a),
    )


def _rise_bounds(a: Analysis) -> tuple[float, float]:
    """By which share of itself the usual rise may truly be longer and shorter: what straight lines between
    samples do and a filter that was named, and where a ring-down is on record the resonance."""
    assert a.unfiltered is not None
    rises = a.unfiltered.rise_s[singles(a)]
    rise_s = usual(rises)
    long = RISE_LONG / a.samples_per_base / a.signal.rate_hz / rise_s if rise_s > 0.0 else 0.0
    if a.resonance is None:
        return strikes.of_shown(a, "rise_s", 0.0, long)
    rings = a.resonance.rise()
    return strikes.of_shown(a, "rise_s", float(rings.above), float(rings.below) + long)


def shape_number(a: Analysis) -> Value:
    """Median of impulse over net peak times width."""
    assert a.blows is not None
    single = singles(a)
    shapes = (a.blows.impulse / (a.blows.net_peak * a.blows.width_s))[single]
    known = np.isfinite(shapes)
    shapes = shapes[known]
    if len(shapes) < 2:
        why = f"2 blows with impulse, peak and width are needed, and there are {len(shapes)}"
        return withheld("shape_number", why)
    if reason := strikes.why_no_outline(a):
        return withheld("shape_number", reason)
    value = float(np.median(shapes))
    spread = MEDIAN_OVER_MEAN * float(np.std(shapes, ddof=1)) / math.sqrt(len(shapes))
    parts = [
        Part("scatter of the blows", spread, len(shapes) - 1.0),
        rectangular("sampling", SHAPE_OFF / a.samples_per_base**2 * value if a.samples_per_base else 0.0),
    ]
    peak_above = float(np.nanmedian(a.peak_above[single][known]))
    lifted = strikes.lifted_by_noise(a) / usual_height(a)
    peak_below = float(np.nanmedian(a.peak_below[single][known])) + lifted
    width_above, width_below = strikes.width_bounds(a)
    return stated(
        "shape_number",
        value,
        parts,
        under_read=value * (1.0 / ((1.0 - peak_below) * (1.0 - width_below)) - 1.0),
        over_read=value * (1.0 - 1.0 / ((1.0 + peak_above) * (1.0 + width_above))),
        flags=strikes.width_flags(a),
    )


def impulse_squared(a: Analysis) -> Value:
    """Mean square of the impulses, a double with its blow."""
    impulse = impulse_mean(a)
    if impulse.value is None:
        return withheld("impulse_squared", impulse.withheld)
    each = _with_doubles(a)
    square = float(np.mean(np.square(each)))
    return _scaled("impulse_squared", square, 2.0, (impulse,), (NO_ENERGY, *impulse.flags))


def peak_impulse(a: Analysis) -> Value:
    """Mean of net peak times impulse."""
    assert a.blows is not None
    usable = singles(a) & np.isfinite(a.blows.net_peak * a.blows.impulse)
    impulse, height = impulse_mean(a), net_peak_mean(a)
    reason = impulse.withheld or height.withheld
    if reason or not usable.any():
        return withheld("peak_impulse", reason or "no blow has both a net peak and an impulse")
    assert height.value is not None
    value = float(np.mean(a.blows.net_peak[usable] * a.blows.impulse[usable]))
    flags = (NO_ENERGY, *height.flags)
    bounds = height.under_read / height.value, height.over_read / height.value
    return _scaled("peak_impulse", value, 1.0, (impulse, height), flags, bounds)


def impulse_rate(a: Analysis) -> Value:
    """Impulse per blow times mean rate."""
    impulse, rate = impulse_mean(a), mean_rate(a)
    if impulse.value is None or rate.value is None:
        return withheld("impulse_rate", impulse.withheld or rate.withheld)
    return _scaled(
        "impulse_rate", impulse.value * rate.value, 1.0, (impulse, rate), (NO_POWER, *impulse.flags)
    )


def _scaled(
    name: str,
    value: float,
    power: float,
    factors: tuple[Value, ...],
    flags: tuple[str, ...],
    bounds: tuple[float, float] = (0.0, 0.0),
) -> Value:
    """A product of values to a power: their relative uncertainties, what is common added without squares."""
    common = sum(factor.common / abs(factor.value) for factor in factors if factor.value)
    own = [
        Part(factor.name, abs(value) * power * math.sqrt(max(0.0, _own_relative(factor))), factor.dof)
        for factor in factors
    ]
    parts = [Part("calibration", abs(value) * power * common, common=True), *own]
    under, over = (abs(value) * bound for bound in bounds)
    return stated(name, value, parts, under_read=under, over_read=over, flags=dict.fromkeys(flags))


def _own_relative(factor: Value) -> float:
    """Relative variance of a value apart from what all runs share."""
    assert factor.value is not None
    standard = factor.standard
    return (standard**2 - factor.common**2) / factor.value**2 if factor.value else 0.0


def _with_doubles(a: Analysis) -> Numbers:
    """Impulses of the blows that the mean impulse rests on, each with that of its second strike."""
    assert a.blows is not None
    usable = strikes.with_impulse(a)
    group = np.cumsum(~a.blows.double[usable])
    sums = np.bincount(group, weights=a.blows.impulse[usable])
    return np.asarray(sums[1:] if len(sums) > 1 else sums)


def _calibration(a: Analysis, usable: Marks, heights: Numbers) -> list[Part]:
    """Of the difference of two torques: the slope of the difference, a residual of each."""
    assert a.blows is not None
    above, below = by_sign(a, usable, heights, len(heights))
    bend = float(a.scale.bend_nm(a.signed(a.blows.peak[usable])).mean())
    return [
        a.scale.slope_part(above, below),
        a.scale.residual_part(a.signal.rotation, math.sqrt(2.0)),
        a.scale.bend_part(bend),
    ]


def _noise(a: Analysis, usable: Marks) -> list[Part]:
    assert a.blows is not None
    count = math.sqrt(float(usable.sum()))
    level = MEDIAN_OVER_MEAN * a.signal.noise_of_mean(float(np.median(a.blows.quiet_samples)))
    return [
        Part("noise", math.hypot(a.signal.noise_sd, level) / count),
        Part("ring in the levels", RING_KEPT * float(np.median(a.ring_in_rests)) / count),
    ]
