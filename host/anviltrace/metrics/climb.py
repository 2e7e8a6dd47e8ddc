"""Metrics of how the retained torque of a held rig climbs, comes to rest and relaxes."""

from __future__ import annotations

import math

import numpy as np

from anviltrace.metrics.analysis import Analysis
from anviltrace.metrics.levels import BRIDGED, parts_of_level, step_between
from anviltrace.metrics.results import Value
from anviltrace.metrics.uncertainty import Part, combine, rectangular
from anviltrace.metrics.values import beyond, reading, stated, withheld
from anviltrace.trace import climbmodels
from anviltrace.trace.climb import (
    LEAST_LEVELS,
    LOW_SHARE,
    Line,
    first_reach_s,
    lower_envelope,
    plateau_part,
    rising_part,
    straight_line,
)

LEAST_EXPLAINED = 0.75
"""Share of the levels' variance that a model has to explain before it is called a climb."""
LEAST_BLOWS_IN_TAU = 2.0
AIC_MATTERS = 2.0
"""A smaller difference speaks for neither model (common practice)."""
PLATEAU_PERCENT_PER_S = 1.0
EARLY_S, LATE_S = (0.05, 0.15), (9.95, 10.05)
"""Where the levels are read whose difference is the relaxation, after the last blow."""
_AROUND = 3
EDGE_SD = 2.0
"""A level so many standard uncertainties from 10 or 90 % may lie on either side."""
KEEPS_NOTHING = "the joint keeps nothing at the end"


def time_to(a: Analysis, target_nm: float) -> Value:
    """Time after time zero until the joint keeps ``target_nm``, seconds."""
    name = "time_to"
    assert a.blows is not None
    assert a.window is not None
    if reason := a.scale.over_limit(float(a.tightening_sign * target_nm)):
        return withheld(name, reason, at_nm=target_nm)
    envelope = lower_envelope(a.blows)
    times_s, kept = envelope.time_s - a.window.start_s, envelope.value
    if len(kept) < LEAST_LEVELS:
        return withheld(name, _too_few(len(kept), LEAST_LEVELS), at_nm=target_nm)
    parts = [*a.scale.parts_of_torque(a.tightening_sign * target_nm), *a.zero_parts(), *parts_of_level(a)]
    reached_s = first_reach_s(times_s, kept, target_nm)
    if not math.isfinite(reached_s):
        return _not_reached(target_nm, float(times_s[-1]), float(kept.max()), combine(parts).expanded)
    after = int(np.searchsorted(times_s, reached_s))
    if after == 0:
        return stated(
            name, 0.0, [], at_nm=target_nm, flags=("the joint kept that much before the first blow",)
        )
    if bool(a.across_gap(envelope.time_s[after - 1], envelope.time_s[after])):
        return withheld(name, "samples are missing where it is reached", at_nm=target_nm)
    first, last = max(0, after - _AROUND), min(after + _AROUND - 1, len(kept) - 1)
    slope = float((kept[last] - kept[first]) / (times_s[last] - times_s[first]))
    if slope <= 0.0:
        why = f"the level hovers about {target_nm:g} N·m there, so that the time hangs on noise"
        return withheld(name, why, at_nm=target_nm)
    struck_s = step_between(a, envelope.time_s, after) - a.window.start_s
    half_s = 0.5 * float(times_s[after] - times_s[after - 1])
    step = rectangular("between two blows", max(half_s, abs(reached_s - struck_s)))
    every = [step, *(Part(part.cause, part.u / slope, part.dof, part.common) for part in parts)]
    flag = BRIDGED if envelope.bridged_at(reached_s + a.window.start_s) else ""
    return stated(name, reached_s, every, at_nm=target_nm, flags=(flag,))


def _not_reached(target_nm: float, watched_s: float, most_nm: float, expanded_nm: float) -> Value:
    why = f"{target_nm:g} N·m not reached within {watched_s:.2f} s: the joint kept {most_nm:.1f} N·m at most"
    near = most_nm + expanded_nm >= target_nm
    flag = "the highest level lies within its uncertainty of it: whether it was reached is not sure"
    return beyond("time_to", watched_s, why, at_nm=target_nm, flags=(flag if near else "",))


def end(a: Analysis) -> Value:
    """T∞ of the exponential."""
    fit, reason = _exponential(a)
    if fit is None:
        return withheld("climb_end", reason)
    torque = a.tightening_sign * fit.end
    if reason := a.scale.over_limit(torque):
        return withheld("climb_end", reason)
    parts = [*a.scale.parts_of_torque(torque), *a.zero_parts(), Part("fit", fit.end_se, fit.dof)]
    return stated("climb_end", fit.end, parts, flags=(_verdict(a), a.scale.above_weights(torque)))


def tau(a: Analysis) -> Value:
    """τ of the exponential, seconds."""
    fit, reason = _exponential(a)
    if fit is None:
        return withheld("climb_tau", reason)
    spans = f"the blows span {fit.constants:.1f} time constants"
    return stated("climb_tau", fit.tau_s, [Part("fit", fit.tau_se_s, fit.dof)], flags=(spans,))


def rms(a: Analysis) -> Value:
    """Root mean square of what the exponential leaves."""
    fit, reason = _exponential(a)
    if fit is None:
        return withheld("climb_rms", reason)
    level = combine(parts_of_level(a)).standard
    added = fit.residual - math.sqrt(max(0.0, fit.residual**2 - level**2))
    parts = [
        a.scale.slope_part(fit.residual),
        Part("noise", level / math.sqrt(len(a.levels[1]))),
        rectangular("scatter that noise adds", added),
    ]
    return stated("climb_rms", fit.residual, parts)


def gain(a: Analysis) -> Value:
    """Rise of the level's square with each blow, of the square-root model."""
    if reason := _no_model(a):
        return withheld("climb_gain", reason)
    fit = a.square_root
    if fit is None:
        return withheld("climb_gain", "the levels fall to nothing, which no square root does")
    parts = [a.scale.slope_part(2.0 * fit.gain), Part("fit", fit.gain_se, fit.dof)]
    return stated("climb_gain", fit.gain, parts, flags=(_verdict(a),))


def aic(a: Analysis) -> Value:
    """AIC of the exponential less that of the square root."""
    if reason := _no_model(a):
        return withheld("climb_aic", reason)
    difference = _aic_difference(a)
    if difference is None:
        return withheld("climb_aic", "one of the two models does not fit these levels at all")
    return reading("climb_aic", difference, (_verdict(a),))


def linearity(a: Analysis) -> Value:
    """Largest departure from the best straight line between 10 and 90 %, percent of the rise."""
    line, rise_nm, reason = _rising_line(a)
    if line is None:
        return withheld("climb_linearity", reason)
    level = combine(parts_of_level(a)).standard
    value = 100.0 * line.largest / rise_nm
    others = [_non_linearity(a, shift * level) for shift in (-EDGE_SD, EDGE_SD)]
    edge = max((abs(value - other) for other in others if other is not None), default=0.0)
    parts = [
        Part("noise", math.hypot(100.0, math.sqrt(2.0) * value) * level / rise_nm),
        rectangular("levels at the ends of the line", edge),
        a.scale.residual_part(a.tightening_sign, 100.0 / rise_nm),
    ]
    return stated("climb_linearity", value, parts)


def r_squared(a: Analysis) -> Value:
    """R² of the same line."""
    line, _, reason = _rising_line(a)
    if line is None:
        return withheld("climb_r_squared", reason)
    return reading("climb_r_squared", line.r_squared)


def plateau_slope(a: Analysis) -> Value:
    """Slope at the end of the climb, N·m/s."""
    line, reason = _plateau(a)
    if line is None:
        return withheld("plateau_slope", reason)
    parts = [a.scale.slope_part(line.slope), Part("line", line.slope_se, line.dof)]
    return stated("plateau_slope", line.slope, parts, flags=(_plateau_verdict(line),))


def plateau_percent(a: Analysis) -> Value:
    """The same slope in percent of the mean level there per second."""
    line, reason = _plateau(a)
    if line is None:
        return withheld("plateau_percent", reason)
    per_nm = 100.0 / line.mean
    return stated(
        "plateau_percent", per_nm * line.slope, [Part("line", abs(per_nm) * line.slope_se, line.dof)]
    )


def relaxation(a: Analysis) -> Value:
    """What the joint loses from 0.1 to 10 s after the last blow."""
    name = "relaxation"
    assert a.blows is not None
    last_s = float(a.blows.apex_s[-1])
    stretches = [_samples_between(a, last_s + from_s, last_s + to_s) for from_s, to_s in (EARLY_S, LATE_S)]
    length = len(a.signal.values)
    if stretches[1].stop > length:
        lasts_s = length / a.signal.rate_hz - last_s
        return withheld(
            name,
            f"the record goes on for {lasts_s:.2f} s after the last blow: {LATE_S[1]:g} s are needed, so "
            "plan "
            "after_s = 11",
        )
    if any(bool(a.signal.missing[stretch].any()) for stretch in stretches):
        return withheld(name, "samples are missing where it is read")
    levels = [a.tightening_sign * float(a.signed(a.signal.values[stretch]).mean()) for stretch in stretches]
    loss = levels[0] - levels[1]
    samples = min(stretch.stop - stretch.start for stretch in stretches)
    moved = (
        0.0
        if a.zero is None
        else 2.0 * a.zero.half_width_counts / abs(a.scale.counts_per_nm(a.tightening_sign))
    )
    parts = [
        a.scale.slope_part(loss),
        Part("noise", math.sqrt(2.0) * a.signal.noise_of_mean(samples)),
        rectangular("zero moved during the run", moved),
    ]
    return stated(name, loss, parts)


def _samples_between(a: Analysis, from_s: float, to_s: float) -> slice:
    return slice(math.ceil(from_s * a.signal.rate_hz), math.floor(to_s * a.signal.rate_hz) + 1)


def _exponential(a: Analysis) -> tuple[climbmodels.Exponential | None, str]:
    """The exponential, or why it is refused."""
    if reason := _no_model(a):
        return None, reason
    times_s, levels = a.levels
    fit = a.exponential
    if fit is None or fit.residual**2 > (1.0 - LEAST_EXPLAINED) * float(np.var(levels)):
        return (
            None,
            "the levels do not follow an exponential: it leaves more than a quarter of their variance",
        )
    if fit.constants < climbmodels.LEAST_CONSTANTS:
        return None, (
            f"the blows span {fit.constants:.2f} time constants of the climb: an exponential is refused "
            f"below {climbmodels.LEAST_CONSTANTS:g}, where its end torque would be a guess"
        )
    if fit.tau_s < LEAST_BLOWS_IN_TAU * float(times_s[-1] - times_s[0]) / (len(times_s) - 1):
        return None, "the climb is over within two blows, which makes no curve"
    return fit, ""


def _no_model(a: Analysis) -> str:
    levels = a.levels[1]
    if len(levels) < climbmodels.LEAST_LEVELS:
        return _too_few(len(levels), climbmodels.LEAST_LEVELS)
    return KEEPS_NOTHING if _is_nothing(a, float(levels[-1])) else ""


def _is_nothing(a: Analysis, level: float) -> bool:
    """Whether a level, in the unit of the signal, is no more than its uncertainty."""
    parts = parts_of_level(a)
    if a.signal.calibrated:
        parts += [*a.scale.parts_of_torque(a.tightening_sign * level), *a.zero_parts()]
    return level <= combine(parts).expanded


def _too_few(count: int, needed: int) -> str:
    return f"{needed} levels between blows are needed, and {count} could be read"


def _aic_difference(a: Analysis) -> float | None:
    if a.exponential is None or a.square_root is None:
        return None
    return a.exponential.aic - a.square_root.aic


def _verdict(a: Analysis) -> str:
    """Which model the levels speak for, in words."""
    difference = _aic_difference(a)
    if difference is None:
        return ""
    if abs(difference) < AIC_MATTERS:
        return "the levels speak for neither model of the climb (AIC)"
    return f"the levels speak for the {'exponential' if difference < 0.0 else 'square root'} (AIC)"


def _rising_line(a: Analysis) -> tuple[Line | None, float, str]:
    """The line through the levels from 10 to 90 % of the last, their rise, or why there is none."""
    assert a.blows is not None
    times_s, levels = a.levels
    if len(levels) < LEAST_LEVELS:
        return None, 0.0, _too_few(len(levels), LEAST_LEVELS)
    if _is_nothing(a, float(levels[-1])):
        return None, 0.0, KEEPS_NOTHING
    start = float(a.blows.level_before[0])
    if start > LOW_SHARE * levels[-1]:
        return None, 0.0, f"the joint kept {start:.1f} N·m before the first blow: there is no climb from 10 %"
    part = rising_part(levels)
    if part.stop - part.start < LEAST_LEVELS:
        why = (
            f"{part.stop - part.start} levels lie between 10 and 90 % of the last: {LEAST_LEVELS} are needed"
        )
        return None, 0.0, why
    rise_nm = float(levels[part.stop - 1] - levels[part.start])
    return straight_line(times_s[part], levels[part]), rise_nm, ""


def _non_linearity(a: Analysis, above_nm: float) -> float | None:
    """The same departure in percent with the ends of the line so much above 10 and 90 %; None without one."""
    times_s, levels = a.levels
    part = rising_part(levels, above_nm)
    if part.stop - part.start < LEAST_LEVELS:
        return None
    rise_nm = float(levels[part.stop - 1] - levels[part.start])
    return 100.0 * straight_line(times_s[part], levels[part]).largest / rise_nm if rise_nm > 0.0 else None


def _plateau(a: Analysis) -> tuple[Line | None, str]:
    """The line through the levels at the end, or why there is none."""
    times_s, levels = a.levels
    if len(levels) < LEAST_LEVELS:
        return None, _too_few(len(levels), LEAST_LEVELS)
    part = plateau_part(times_s)
    if part.stop - part.start < LEAST_LEVELS:
        return None, f"{part.stop - part.start} levels lie in the last third: {LEAST_LEVELS} are needed"
    line = straight_line(times_s[part], levels[part])
    return (None, KEEPS_NOTHING) if _is_nothing(a, line.mean) else (line, "")


def _plateau_verdict(line: Line) -> str:
    """Whether a plateau is reached, in words."""
    percent = 100.0 * abs(line.slope) / line.mean
    expanded = combine([Part("line", line.slope_se, line.dof)]).expanded
    if percent >= PLATEAU_PERCENT_PER_S:
        return f"no plateau: the level still moves by {percent:.1f} % a second"
    if abs(line.slope) > expanded:
        return "no plateau: the level moves little, but surely"
    return "a plateau is reached: below 1 % a second, and 0 lies in the interval"
