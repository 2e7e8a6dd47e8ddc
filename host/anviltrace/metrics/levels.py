"""Metrics of slow torque: what the joint keeps, and the mean over the drive window."""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

from anviltrace.metrics.analysis import Analysis, Numbers
from anviltrace.metrics.results import Value
from anviltrace.metrics.uncertainty import Part, rectangular
from anviltrace.metrics.values import at_least, stated, withheld
from anviltrace.trace.climb import FINAL_FROM_S, FINAL_TO_S, at_marks, lower_envelope

Indices = npt.NDArray[np.int64]

SETTLE_S = 0.5
"""After the signal to release: the tester's reaction, and the filter of a slow converter."""
RING_KEPT = 0.1
"""Share of the ring's amplitude in a rest that stays in its level: some ten periods, of which the first are
the largest (tried with 1500 to 5000 Hz at a damping of 0.012 to 0.3)."""
LEAST_SAMPLES = 3
MEDIAN_OVER_MEAN = math.sqrt(math.pi / 2.0)
"""A median of normal noise scatters this much more than a mean (from memory: efficiency 2/π)."""
_AT_ONCE = 2**17
"""Samples whose parts of an integral are worked out in one go."""
_MOST_MISSING = 0.5

SHARE_OF_BLOWS = (
    "the converter is slow: its reading while the tool strikes is the level plus a share of the blows, "
    "which is what a mean is made of, but no level between blows"
)
BRIDGED = "a blow seems missed there, so that it is read between what lies on both sides"
STARTS_AT_ONSET = "counted from the onset, since the converter does not show single blows"
AGAINST_JOINT = (
    "the transducer of a held rig also carries what the joint still keeps, which acts against the tool, so "
    "that their mean says nothing about the tool"
)


def retained_final(a: Analysis) -> Value:
    """Torque the joint keeps at the end; see the catalogue."""
    name = "retained_final"
    stretch = _last_blow_stretch(a) if a.blows is not None else _settled_stretch(a)
    if isinstance(stretch, str):
        return withheld(name, stretch)
    first, last = stretch
    present = ~a.signal.missing[first:last]
    if present.sum() < LEAST_SAMPLES:
        return withheld(
            name, f"{present.sum()} samples are left where it is read: {LEAST_SAMPLES} are needed"
        )
    level = float(np.mean(a.signal.values[first:last][present]))
    noise = Part("noise", a.signal.noise_of_mean(int(present.sum())))
    flags = () if a.blows is not None else (f"read from {SETTLE_S:g} s after the signal to release",)
    kept = _retained(a, name, level, [noise, *_let_go_late(a, last, level)], flags=flags)
    return at_least(kept, _at_limit(a, a.signal.values[first:last]))


def retained_at(a: Analysis, at_s: float) -> Value:
    """Level between blows at a mark after time zero, seconds."""
    name = "retained_at"
    assert a.blows is not None
    assert a.window is not None
    envelope = lower_envelope(a.blows)
    times_s, along = envelope.time_s, envelope.value
    when_s = a.window.start_s + at_s
    level = float(at_marks(times_s, along, when_s))
    if not math.isfinite(level):
        return withheld(name, _outside(a, at_s), at_s)
    after = max(1, int(np.searchsorted(times_s, when_s)))
    if bool(a.across_gap(times_s[after - 1], times_s[after])):
        return withheld(name, "samples are missing there", at_s)
    step_s, half_step = step_between(a, times_s, after), 0.5 * float(along[after] - along[after - 1])
    kept = float(along[after - 1] if when_s < step_s else along[after])
    apart = rectangular("between two levels", max(abs(half_step), abs(level - kept)))
    flag = BRIDGED if envelope.bridged_at(when_s) else ""
    retained = _retained(a, name, level, [*parts_of_level(a), apart], at_s=at_s, flags=(flag,))
    return at_least(retained, _at_limit(a, along[after - 1 : after + 1]))


def _at_limit(a: Analysis, levels: Numbers) -> str:
    """Why a retained torque is no more than a lower bound: the converter was at its limit; else empty."""
    at_limit = (levels >= a.signal.highest) | (levels <= a.signal.lowest)
    return a.clipped_flag if bool(at_limit.any()) else ""


def step_between(a: Analysis, times_s: Numbers, after: int) -> float:
    """When the blow came between level ``after`` and the one before it, seconds: the level rises with it.
    Where there are several or none, half-way between the levels."""
    assert a.blows is not None
    first, last = float(times_s[after - 1]), float(times_s[after])
    between = a.blows.apex_s[(a.blows.apex_s > first) & (a.blows.apex_s <= last)]
    return float(between[0]) if len(between) == 1 else 0.5 * (first + last)


def parts_of_level(a: Analysis) -> list[Part]:
    """Noise and ring of one level between blows, N·m."""
    assert a.blows is not None
    samples = float(np.median(a.blows.quiet_samples))
    return [
        Part("noise", MEDIAN_OVER_MEAN * a.signal.noise_of_mean(samples)),
        Part("ring in the levels", RING_KEPT * float(np.median(a.ring_in_rests))),
    ]


def mean_torque(a: Analysis) -> Value:
    """Time integral of the torque over the drive window, over its length."""
    name = "mean_torque"
    if a.window is None or a.no_window or (a.blows is None and not a.slow):
        return withheld(name, a.no_window if a.slow else a.no_blows or a.no_window)
    if a.works_against_joint:
        return withheld(name, AGAINST_JOINT)
    times, weights = _trapezoid(a, a.window.start_s, a.window.end_s)
    along = a.signal.values[times]
    share_missing = float(weights[a.signal.missing[times]].sum())
    extremes = np.array([along.min(), along.max()])
    if share_missing > _MOST_MISSING:
        return withheld(name, f"{share_missing:.0%} of the samples of the drive window are missing")
    if reason := a.scale.over_limit(a.signed(extremes)):
        return withheld(name, reason)
    mean = float(weights @ along)
    parts = [
        *_calibration_of_mean(a, along, weights),
        *a.zero_parts(),
        Part("noise", a.signal.noise_of_mean(len(along))),
        *_ends(a, along, mean),
        _sampling_of_mean(a, along),
        rectangular("missing samples", share_missing * float(np.max(np.abs(extremes - mean)))),
    ]
    value = stated(name, mean, parts, flags=_mean_flags(a, extremes, share_missing))
    if reason := a.why_no_levels:
        return withheld(name, reason)
    high = bool((along >= a.signal.highest).any())
    return at_least(value, a.clipped_flag if high or a.blows is None else a.why_capped(a.driven))


def _retained(
    a: Analysis,
    name: str,
    along: float,
    parts: list[Part],
    at_s: float | None = None,
    flags: tuple[str, ...] = (),
) -> Value:
    """A level along the rotation as retained torque."""
    torque = float(a.signed(along))
    if reason := a.scale.over_limit(torque):
        return withheld(name, reason, at_s)
    every = [*a.scale.parts_of_torque(torque), *a.zero_parts(), *parts]
    value = a.tightening_sign * torque
    return stated(name, value, every, at_s=at_s, flags=(*flags, a.scale.above_weights(torque)))


def _last_blow_stretch(a: Analysis) -> tuple[int, int] | str:
    """Samples from 50 to 200 ms after the last blow, or why there are none.

    A tool that goes on turning without a blow is waited for: then from half a second after the release.
    """
    assert a.blows is not None
    rate_hz = a.signal.rate_hz
    if a.cut[-1]:
        return "the record ends in the middle of a blow: plan at least 1 s after the drive"
    last_s = max(float(a.blows.apex_s[-1]), _free_until_s(a))
    first = math.ceil((last_s + FINAL_FROM_S) * rate_hz)
    end = math.floor((last_s + FINAL_TO_S) * rate_hz) + 1
    if end > len(a.signal.values):
        left_ms = 1e3 * (len(a.signal.values) / rate_hz - float(a.blows.apex_s[-1]))
        late = ", before the tool was surely let go" if _free_until_s(a) else ""
        return (
            f"the record ends {left_ms:.0f} ms after the last blow{late}: plan at least 1 s after the drive"
        )
    return first, end


def _free_until_s(a: Analysis) -> float:
    """When a tool whose blows ended long before the signal to release has surely been let go; else 0."""
    assert a.blows is not None
    release = a.facts.context.run.release_index
    if release is None:
        return 0.0
    release_s = (release - a.signal.first_index) / a.signal.rate_hz
    return release_s + SETTLE_S if release_s - float(a.blows.apex_s[-1]) > SETTLE_S else 0.0


def _let_go_late(a: Analysis, end: int, level: float) -> list[Part]:
    """A tool that went on turning may be let go after the reading: what the torque still changes by from
    there (sample ``end``) to the record's last 150 ms, as a limit."""
    if a.blows is None or not _free_until_s(a):
        return []
    first = max(end, len(a.signal.values) - round((FINAL_TO_S - FINAL_FROM_S) * a.signal.rate_hz))
    present = ~a.signal.missing[first:]
    if present.sum() < LEAST_SAMPLES:
        return []
    return [rectangular("let go late", float(np.mean(a.signal.values[first:][present])) - level)]


def _settled_stretch(a: Analysis) -> tuple[int, int] | str:
    """The last half of what follows half a second after the signal to release, or why there is none."""
    release = a.facts.context.run.release_index
    if release is None:
        return "no signal to release is on record, so it is not known when the tool was let go"
    settled = release - a.signal.first_index + math.ceil(SETTLE_S * a.signal.rate_hz)
    end = len(a.signal.values)
    if end - settled < 2 * LEAST_SAMPLES:
        return f"too little is left {SETTLE_S:g} s after the signal to release: plan a longer stretch after"
    return settled + (end - settled) // 2, end


def _outside(a: Analysis, at_s: float) -> str:
    assert a.blows is not None
    assert a.window is not None
    lasted_s = float(a.blows.apex_s[-1]) - a.window.start_s
    return f"the last blow came {lasted_s:.2f} s after time zero, and the mark is at {at_s:g} s"


def _trapezoid(a: Analysis, start_s: float, end_s: float) -> tuple[slice, Numbers]:
    """Samples and weights (sum 1) of the mean over a window whose ends lie between samples."""
    start, end = start_s * a.signal.rate_hz, end_s * a.signal.rate_hz
    first, last = math.floor(start), min(math.ceil(end), len(a.signal.values) - 1)
    weights = np.ones(last + 1 - first)
    weights[[0, -1]] = 0.5 if last > first else 0.0
    for step in {first, last - 1} if last > first else ():
        begin, stop = max(start, step), min(end, step + 1)
        middle = 0.5 * (begin + stop) - step
        weights[step - first] += (stop - begin) * (1.0 - middle) - 0.5
        weights[step + 1 - first] += (stop - begin) * middle - 0.5
    weights /= end - start
    return slice(first, last + 1), weights


def _calibration_of_mean(a: Analysis, along: Numbers, weights: Numbers) -> list[Part]:
    above = below = bend = 0.0
    for first in range(0, len(along), _AT_ONCE):
        torque, weight = a.signed(along[first : first + _AT_ONCE]), weights[first : first + _AT_ONCE]
        above += float(weight @ np.maximum(torque, 0.0))
        below += float(weight @ np.minimum(torque, 0.0))
        bend += float(weight @ a.scale.bend_nm(torque))
    sign = 1 if above >= -below else -1
    return [a.scale.slope_part(above, below), a.scale.residual_part(sign), a.scale.bend_part(bend)]


def _ends(a: Analysis, along: Numbers, mean: float) -> list[Part]:
    """The ends of the window are known to half a sample; with a slow converter to a sample and the length of
    its filter, and a blow may lie there."""
    assert a.window is not None
    step_s = 1.0 / a.signal.rate_hz
    known_s = 0.5 * step_s if a.blows is not None else step_s + sum(a.facts.boxcars_s)
    near = 1 if a.blows is not None else 1 + math.ceil(known_s / step_s)
    length_s = a.window.end_s - a.window.start_s
    return [
        rectangular("end of the window", known_s / length_s * float(np.abs(torques - mean).max()))
        for torques in (along[:near], along[-near:])
    ]


def _sampling_of_mean(a: Analysis, along: Numbers) -> Part:
    """What sampling does to the impulses within the window, spread over its length.

    A slow converter whose filter is as long as a sample misses nothing of a blow. One that looks only now and
    then meets a blow or does not: with spikes of height h, a sample T long, the variance of their sum is
    T²·Σh² at most, and Σh² half the sum of the squared differences of neighbours (von Neumann).
    """
    assert a.window is not None
    if a.blows is None:
        step_s = 1.0 / a.signal.rate_hz
        seldom = max(0.0, 1.0 - sum(a.facts.boxcars_s) / step_s)
        spikes = math.sqrt(0.5 * float(np.sum(np.diff(along) ** 2)))
        return Part("sampling", seldom * step_s * spikes / (a.window.end_s - a.window.start_s))
    struck = a.driven
    impulses = a.blows.impulse[struck] * a.impulse_sampling[struck]
    known = impulses[np.isfinite(impulses)]
    usual = float(np.mean(known**2)) if known.size else 0.0
    return Part("sampling", math.sqrt(usual * len(impulses)) / (a.window.end_s - a.window.start_s))


def _mean_flags(a: Analysis, extremes: Numbers, share_missing: float) -> tuple[str, ...]:
    torque = a.signed(extremes)
    return (
        "" if a.blows is not None else SHARE_OF_BLOWS,
        "" if a.blows is not None else STARTS_AT_ONSET,
        a.scale.above_weights(torque),
        f"{share_missing:.1%} of the samples of the window are missing" if share_missing else "",
    )
