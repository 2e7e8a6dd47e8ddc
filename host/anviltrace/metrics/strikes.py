"""Metrics of single blows: how many, how hard, how long. How often: ``rhythm``; their shape: ``shape``."""

from __future__ import annotations

import math
from statistics import NormalDist

import numpy as np
import numpy.typing as npt

from anviltrace.metrics.analysis import Analysis, Marks, Numbers
from anviltrace.metrics.crossings import CHORDS, of_width, timing_s
from anviltrace.metrics.levels import BRIDGED, MEDIAN_OVER_MEAN, RING_KEPT
from anviltrace.metrics.results import Value
from anviltrace.metrics.uncertainty import Part, rectangular
from anviltrace.metrics.values import at_least, stated, withheld
from anviltrace.trace.blows import BASE_OVER_FWHM, LEAST_FOR_PARABOLA, Blows
from anviltrace.trace.climb import at_marks, upper_envelope
from anviltrace.trace.sampling import LEAST_SAMPLES, corrected_width_s

Indices = npt.NDArray[np.int64]

LEAST_OVER_NOISE = 10.0
MOST_RING_LEFT = 0.5
RING_THAT_MATTERS = 0.05
CHANGE_KNOWN_TO = 0.005
"""Share of the base width to which the place is known where the level changes (tried with half sines on
transducers of 3 to 20 periods to a base width: 5 µs of 1.1 ms at most)."""
_LEAD_S = 0.001
"""How long before its start a blow's impulse begins."""
_NEAR_APEX = 0.2
"""Share of the base width in which the largest sample of half a sine is found: sin falls 5 % there."""

MOST_CAPPED = 0.1
"""Share of blows cut off below which medians of widths, rises and shapes stand on the others."""
FEW_SAMPLES = "fewer than five samples to a blow: a single peak may read low by as much as the bound says"
RING_CUT = "the rig still rings when the next blow comes, so that the impulse misses the end of the ring"


def count(a: Analysis) -> Value:
    """Blows within the drive window, doubles counted once."""
    assert a.blows is not None
    struck = singles(a)
    weakest = float(np.nanmin(a.blows.net_peak[struck]))
    weak = weakest < LEAST_OVER_NOISE * a.signal.noise_sd
    rings = a.ring_left > MOST_RING_LEFT
    doubles = int(a.blows.double[a.driven].sum())
    flags = (
        f"the weakest blow rises {weakest / a.signal.noise_sd:.0f} times above the noise only"
        if weak
        else "",
        "the rig rings on from blow to blow, so that some may be missed or made up" if rings else "",
        f"double strikes, counted once: {doubles}" if doubles else "",
        _gap_flag(a),
    )
    return stated("blow_count", float(struck.sum()), [], flags=flags)


def impulse_mean(a: Analysis) -> Value:
    """Mean impulse of the blows, a double strike together with its blow."""
    assert a.blows is not None
    usable = with_impulse(a)
    blows = int((usable & ~a.blows.double).sum())
    if not blows:
        return withheld("impulse_mean", "no blow lies between quiet stretches that give it a level")
    peaks = a.signed(_unfiltered(a).peak[usable])
    if reason := a.scale.over_limit(peaks):
        return withheld("impulse_mean", reason)
    mean = float(a.blows.impulse[usable].sum()) / blows
    parts = [*_calibration_of_impulse(a, usable, mean, blows), *_noise_of_impulse(a, usable, blows)]
    left_out = int(a.driven.sum() - usable.sum())
    parts.append(_left_out(a, usable, left_out, mean))
    flags = (
        RING_CUT if a.ring_left > RING_THAT_MATTERS else "",
        f"blows without a level before or after, or at a gap, are left out: {left_out}" if left_out else "",
        a.scale.above_weights(peaks),
    )
    if reason := a.why_no_levels:
        return withheld("impulse_mean", reason)
    return at_least(stated("impulse_mean", mean, parts, flags=flags), a.why_capped(usable))


def _left_out(a: Analysis, usable: Marks, left_out: int, mean: float) -> Part:
    """What the mean would change by if those that are left out were as far from it as any blow is; with them
    blows that seem missed, where the converter may have looked past them."""
    assert a.blows is not None
    missed = a.rhythm.missed if a.samples_per_base < LEAST_SAMPLES else 0
    farthest = float(np.abs(a.blows.impulse[usable & ~a.blows.double] - mean).max())
    share = (left_out + missed) / (int(a.driven.sum()) + missed)
    return rectangular("blows left out", share * farthest)


def peak_mean(a: Analysis) -> Value:
    """Mean of the gross peaks."""
    assert a.blows is not None
    struck = singles(a)
    peaks = a.blows.peak[struck]
    if reason := a.scale.over_limit(a.signed(peaks)):
        return withheld("peak_mean", reason)
    noise = Part("noise", a.peak_noise_sd / math.sqrt(len(peaks)))
    under, over = mean_bounds(a, struck)
    mean = _peak(a, "peak_mean", float(peaks.mean()), peaks, [noise], under, over)
    return at_least(mean, a.why_capped(struck))


def peak_max(a: Analysis) -> Value:
    """Largest gross peak."""
    assert a.blows is not None
    struck = singles(a)
    return _largest(a, "peak_max", np.flatnonzero(struck))


def maximum_torque(a: Analysis) -> Value:
    """Largest torque along the rotation, blow or not."""
    assert a.blows is not None
    largest = a.highest
    if largest <= float(a.blows.peak.max()):
        return _largest(a, "maximum_torque", np.arange(len(a.blows)))
    if reason := a.scale.over_limit(a.signed(largest)):
        return withheld("maximum_torque", reason)
    noise = Part("noise", a.peak_noise_sd)
    over = a.peak_noise_sd * _quantile_of_largest(len(a.signal.values))
    highest = _peak(a, "maximum_torque", largest, np.array([largest]), [noise], 0.0, over)
    return at_least(highest, a.clipped_flag if a.at_limit[1] else "")


def peak_at(a: Analysis, at_s: float) -> Value:
    """Peaks interpolated at a mark after time zero, seconds."""
    assert a.blows is not None
    assert a.window is not None
    envelope = upper_envelope(a.blows)
    times, peaks = envelope.time_s, envelope.value
    when_s = a.window.start_s + at_s
    value = float(at_marks(times, peaks, when_s))
    if not math.isfinite(value):
        lasted_s = float(times[-1]) - a.window.start_s
        reason = f"the last blow came {lasted_s:.2f} s after time zero, and the mark is at {at_s:g} s"
        return withheld("peak_at", reason, at_s)
    after = max(1, int(np.searchsorted(times, when_s)))
    if bool(a.across_gap(times[after - 1], times[after])):
        return withheld("peak_at", "samples are missing there", at_s)
    around = peaks[after - 1 : after + 1]
    if reason := a.scale.over_limit(a.signed(around)):
        return withheld("peak_at", reason, at_s)
    parts = [
        Part("noise", a.peak_noise_sd),
        rectangular("between two peaks", 0.5 * float(around[1] - around[0])),
    ]
    single = np.flatnonzero(~a.blows.double)[after - 1 : after + 1]
    under, below = (float(np.nanmax((share * a.blows.net_peak)[single])) for share in _shares(a))
    over = below + lifted_by_noise(a)
    flag = BRIDGED if envelope.bridged_at(when_s) else ""
    return at_least(_peak(a, "peak_at", value, around, parts, under, over, at_s, flag), a.why_capped(single))


def width_median(a: Analysis) -> Value:
    """Median width at half height, milliseconds."""
    assert a.blows is not None
    widths = a.blows.width_s[singles(a)]
    widths = widths[np.isfinite(widths)]
    if not len(widths):
        return withheld("width_median", "no blow crosses half its height on both sides")
    if reason := why_no_outline(a):
        return withheld("width_median", reason)
    timing_ms = 1e3 * timing_s(a)
    noise_ms = 1e3 * of_width(a, lifted_by_noise(a)).sd_s
    chords_ms = 1e3 * CHORDS / a.samples_per_base / a.signal.rate_hz if a.samples_per_base else 0.0
    parts = [
        Part("crossings of half the height", MEDIAN_OVER_MEAN * timing_ms / math.sqrt(len(widths))),
        Part("noise", MEDIAN_OVER_MEAN * noise_ms / math.sqrt(len(widths))),
        rectangular("straight lines between samples", chords_ms),
    ]
    width_ms = 1e3 * float(np.median(widths))
    above, below = width_bounds(a)
    return stated(
        "width_median",
        width_ms,
        parts,
        under_read=above * width_ms,
        over_read=below * width_ms,
        flags=width_flags(a),
    )


def why_no_outline(a: Analysis) -> str:
    """Why the blows have no known half height; empty where most have."""
    struck = singles(a)
    return a.why_capped(struck) if a.capped[struck].mean() > MOST_CAPPED else ""


def width_bounds(a: Analysis) -> tuple[float, float]:
    """By which share of itself the usual width may truly be longer and shorter: noise makes it read short."""
    assert a.blows is not None
    above, below = _outline_bounds(a)
    shown_s = float(np.nanmedian(a.blows.width_s))
    return above + of_width(a, lifted_by_noise(a)).towards_s / shown_s, below


def _outline_bounds(a: Analysis) -> tuple[float, float]:
    """The same, without noise: what a filter that was named
    does, and where a ring-down is on record the resonance and the converter's filter; without one these two
    have no bound, only a flag."""
    if a.resonance is None:
        return of_shown(a, "width_s", 0.0, 0.0)
    bounds, base_s = a.resonance.width(), BASE_OVER_FWHM * a.usual_width_s
    widened = 1.0 - float(corrected_width_s(base_s, a.facts.boxcars_s)) / base_s
    return of_shown(a, "width_s", float(bounds.above), float(bounds.below) + widened)


def of_shown(a: Analysis, outline: str, above: float, below: float) -> tuple[float, float]:
    """Bounds of a median width or rise as shares of what is shown behind a filter, from those without it."""
    assert a.blows is not None
    each = [getattr(blows, outline)[singles(a)] for blows in (_unfiltered(a), a.blows)]
    known = np.isfinite(each[0]) & np.isfinite(each[1])
    if not known.any():
        return above, below
    plain, shown = (float(np.median(one[known])) for one in each)
    return max(0.0, (1.0 + above) * plain / shown - 1.0), max(0.0, 1.0 - (1.0 - below) * plain / shown)


def width_flags(a: Analysis) -> tuple[str, ...]:
    """What concerns the width of blows, and all else that hangs on their outline in time."""
    filter_ms = 1e3 * sum(a.facts.boxcars_s)
    smeared = f"the converter's filter ({filter_ms:.2g} ms long) widens blows" if filter_ms else ""
    return a.resonance_flag, smeared, a.filter.width_flag, a.filter_edge_flag


def with_impulse(a: Analysis) -> Marks:
    """Blows of the drive window, doubles too, that have an impulse and no gap beside them.

    A blow and its second strike are taken together or not at all: half of a pair would be no blow's impulse.
    """
    assert a.blows is not None
    lacking = a.driven & (~np.isfinite(a.blows.impulse) | _across_gap(a))
    pair = np.cumsum(~a.blows.double)
    return np.asarray(a.driven & (np.bincount(pair, weights=lacking)[pair] == 0.0))


def singles(a: Analysis) -> Marks:
    """Blows of the drive window, doubles left out."""
    assert a.blows is not None
    return np.asarray(a.driven & ~a.blows.double)


def mean_bounds(a: Analysis, usable: Marks) -> tuple[float, float]:
    """By how much the mean of the peaks of these blows may read low (filters, sampling, resonance) and high
    (noise, resonance)."""
    assert a.blows is not None
    under, below = (float(np.nanmean((share * a.blows.net_peak)[usable])) for share in _shares(a))
    return under, below + lifted_by_noise(a)


def lifted_by_noise(a: Analysis) -> float:
    """By how much noise may lift the apexes of blows on average, in the unit of the signal."""
    return a.peak_noise_sd * _mean_of_largest(_samples_near_apex(a))


def _shares(a: Analysis) -> tuple[Numbers, Numbers]:
    """By which share of its height each blow may truly be higher, and lower."""
    return a.peak_above, a.peak_below


def _largest(a: Analysis, name: str, blows: Indices) -> Value:
    """The largest peak of these blows. Which of them was truly the largest is not known.

    So it may truly be higher up to the largest of all peaks with what each may hide, lower down to the
    largest with what the resonance may have added, and noise may have lifted the largest of all samples.
    """
    assert a.blows is not None
    peaks = a.blows.peak[blows]
    peak = float(peaks.max())
    if reason := a.scale.over_limit(a.signed(peak)):
        return withheld(name, reason)
    hidden, added = (np.nan_to_num(share * a.blows.net_peak)[blows] for share in _shares(a))
    under = float((peaks + hidden).max()) - peak
    surely = peak - float((peaks - added).max())
    over = surely + a.peak_noise_sd * _quantile_of_largest(len(a.blows) * _samples_near_apex(a))
    noise = Part("noise", a.peak_noise_sd)
    return at_least(_peak(a, name, peak, np.array([peak]), [noise], under, over), a.why_capped(blows))


def _peak(
    a: Analysis,
    name: str,
    along: float,
    all_along: Numbers,
    parts: list[Part],
    under: float,
    over: float,
    at_s: float | None = None,
    flag: str = "",
) -> Value:
    """A peak, or a mean of the peaks ``all_along``, with the calibration and the zero in its uncertainty."""
    torques = a.signed(all_along)
    above, below = float(np.maximum(torques, 0.0).mean()), float(np.minimum(torques, 0.0).mean())
    calibration = [
        a.scale.slope_part(above, below),
        a.scale.residual_part(1 if above >= -below else -1),
        a.scale.bend_part(float(a.scale.bend_nm(torques).mean())),
    ]
    return stated(
        name,
        along,
        [*calibration, *a.zero_parts(), *parts],
        at_s=at_s,
        under_read=under,
        over_read=over,
        flags=(flag, *peak_flags(a, torques)),
    )


def peak_flags(a: Analysis, torques_nm: Numbers) -> tuple[str, ...]:
    """What concerns peaks; ``torques_nm`` are signed, clockwise positive."""
    return (
        a.resonance_flag,
        a.filter.flag(BASE_OVER_FWHM * a.usual_width_s),
        a.filter_edge_flag,
        a.scale.above_weights(torques_nm),
        _few_samples(a),
        _gap_flag(a),
    )


def _calibration_of_impulse(a: Analysis, usable: Marks, mean: float, blows: int) -> list[Part]:
    """Slope, residual and bend in a mean impulse; the level itself may be off by the residual as well."""
    assert a.blows is not None
    above, below = by_sign(a, usable, a.blows.impulse[usable], blows)
    base_s = float(np.nansum(a.base_s[usable])) / blows
    sign = a.signal.rotation
    torques = a.signed(_unfiltered(a).peak[usable])
    bend = float(np.nansum(a.scale.bend_nm(torques) * a.base_s[usable])) / blows
    return [
        a.scale.slope_part(above, below) if above or below else a.scale.slope_part(mean),
        a.scale.residual_part(sign, math.sqrt(2.0) * base_s),
        a.scale.bend_part(2.0 / math.pi * bend),
    ]


def by_sign(a: Analysis, usable: Marks, amounts: Numbers, blows: int) -> tuple[float, float]:
    """A mean over blows, made of positive and of negative torque, each with its sign (clockwise positive).

    ``amounts`` of the ``usable`` blows are proportional to their torque over the level: impulses, heights. A
    blow that rises from a level on the other side of zero takes the share of its height on each side.
    """
    blow = _unfiltered(a)
    with_rotation = np.clip(blow.peak[usable] / blow.net_peak[usable], 0.0, 1.0)
    along = float((amounts * with_rotation).sum()) / blows
    against = float((amounts * (1.0 - with_rotation)).sum()) / blows
    return (along, -against) if a.signal.rotation > 0 else (against, -along)


def _noise_of_impulse(a: Analysis, usable: Marks, blows: int) -> list[Part]:
    """Noise of torque and levels, ring left in them, sampling, and where the level changes."""
    assert a.blows is not None
    step_s = 1.0 / a.signal.rate_hz
    base_s = np.nan_to_num(a.base_s[usable])
    after = np.maximum(1, a.blows.quiet_samples[usable]).astype(np.float64)
    before = np.minimum((_LEAD_S + 0.5 * base_s) / step_s, after)
    levels = (before**2 + after**2) / after
    noise = a.signal.noise_sd * step_s * np.sqrt(a.signal.together * (before + after + levels))
    ring = RING_KEPT * a.ring_in_rests[usable] * step_s * after
    sampling = a.blows.impulse[usable] * a.impulse_sampling[usable]
    change = np.abs(a.blows.level_after - a.blows.level_before)[usable] * CHANGE_KNOWN_TO * base_s
    return [
        Part("noise", _of_mean(noise, blows)),
        Part("ring in the levels", _of_mean(ring, blows)),
        Part("sampling", _of_mean(sampling, blows)),
        rectangular("place where the level changes", float(change.sum()) / blows),
    ]


def _unfiltered(a: Analysis) -> Blows:
    assert a.unfiltered is not None
    return a.unfiltered


def _of_mean(each: Numbers, blows: int) -> float:
    """Standard uncertainty of a mean from those of single blows that know nothing of each other."""
    return float(np.sqrt(np.sum(np.square(each)))) / blows


def _across_gap(a: Analysis) -> Marks:
    """Blows whose neighbourhood, up to the next one, has samples missing."""
    assert a.blows is not None
    following = np.append(a.blows.start_s[1:], a.blows.apex_s[-1] + _LEAD_S)
    return a.across_gap(a.blows.start_s - _LEAD_S, following)


def _few_samples(a: Analysis) -> str:
    return "" if a.samples_per_base >= LEAST_FOR_PARABOLA else FEW_SAMPLES


def _gap_flag(a: Analysis) -> str:
    assert a.window is not None
    if not bool(a.across_gap(a.window.start_s, a.window.end_s)):
        return ""
    return "samples are missing within the drive window: blows there are not seen, so this is a lower bound"


def _samples_near_apex(a: Analysis) -> int:
    """Two at least: noise decides between neighbours, and bends the parabola through them."""
    return max(2, round(_NEAR_APEX * a.samples_per_base)) if math.isfinite(a.samples_per_base) else 2


def _mean_of_largest(samples: int) -> float:
    """Upper bound of the mean of the largest of so many standard normal numbers: sqrt(2·ln n)."""
    return math.sqrt(2.0 * math.log(samples)) if samples > 1 else 0.0


def _quantile_of_largest(samples: int) -> float:
    """What the largest of so many standard normal numbers stays below with a probability of 97.5 %."""
    return NormalDist().inv_cdf(0.975 ** (1.0 / max(1, samples)))
