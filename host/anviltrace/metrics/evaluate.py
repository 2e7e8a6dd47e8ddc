"""From the facts about a run to its numbers. Pure: the same facts give the same numbers."""

from __future__ import annotations

from collections.abc import Callable

from anviltrace.metrics import climb, levels, rhythm, shape, strikes, times
from anviltrace.metrics.analysis import Analysis, analyse
from anviltrace.metrics.catalogue import CATALOGUE, Metric, Need
from anviltrace.metrics.checks import raised
from anviltrace.metrics.facts import RunFacts
from anviltrace.metrics.flagtable import DOUBTFUL
from anviltrace.metrics.quality import quality
from anviltrace.metrics.readings import readings
from anviltrace.metrics.results import BlowTable, Grade, Quality, RunResult, Value
from anviltrace.metrics.sidevalues import side_values
from anviltrace.metrics.values import withheld
from anviltrace.trace.sampling import why_unresolved

MOST_RING_FOR_LEVEL = 0.1
"""Share of the net peak still ringing above which no level between blows is stated."""

_ONCE: dict[str, Callable[[Analysis], Value]] = {
    "retained_final": levels.retained_final,
    "mean_torque": levels.mean_torque,
    "impulse_mean": strikes.impulse_mean,
    "peak_mean": strikes.peak_mean,
    "peak_max": strikes.peak_max,
    "maximum_torque": strikes.maximum_torque,
    "net_peak_mean": shape.net_peak_mean,
    "rise_median": shape.rise_median,
    "shape_number": shape.shape_number,
    "blow_rate": rhythm.rate,
    "blow_rate_mean": rhythm.mean_rate,
    "interval_median": rhythm.interval_median,
    "interval_sd": rhythm.interval_sd,
    "interval_cv": rhythm.interval_cv,
    "missed_blows": rhythm.missed,
    "double_blows": rhythm.doubled,
    "climb_end": climb.end,
    "climb_tau": climb.tau,
    "climb_rms": climb.rms,
    "climb_gain": climb.gain,
    "climb_aic": climb.aic,
    "climb_linearity": climb.linearity,
    "climb_r_squared": climb.r_squared,
    "plateau_slope": climb.plateau_slope,
    "plateau_percent": climb.plateau_percent,
    "relaxation": climb.relaxation,
    "impulse_squared": shape.impulse_squared,
    "peak_impulse": shape.peak_impulse,
    "impulse_rate": shape.impulse_rate,
    "time_zero": times.time_zero,
    "onset": times.onset,
    "blow_count": strikes.count,
    "width_median": strikes.width_median,
}
_AT_MARKS: dict[str, Callable[[Analysis, float], Value]] = {
    "retained_at": levels.retained_at,
    "peak_at": strikes.peak_at,
}


def evaluate(facts: RunFacts) -> RunResult:
    """All metrics the rig of this run has, each with its uncertainty or the reason why it is withheld.

    Without a calibration for the sign of its torque a run also gets its readings in counts and mV/V.
    """
    if not sum(len(counts) for _, counts in facts.pieces):
        return _empty(facts)
    a = analyse(facts)
    values = [value for metric in CATALOGUE.values() for value in _values(a, metric)]
    values += side_values(a, values)
    if a.uncalibrated:
        values += readings(a)
    flags = raised(a)
    return RunResult(
        context=facts.context,
        values=tuple(values),
        blows=_table(a),
        calibration_ids=_calibrations(a),
        uncalibrated=a.uncalibrated,
        time_zero_s=None if a.window is None else a.window.start_s,
        time_zero="" if a.window is None else a.window.zero,
        software_version=facts.software_version,
        flags=tuple(dict.fromkeys(flag.text for flag in flags)),
        doubts=tuple(flag.text for flag in flags if flag.name == DOUBTFUL),
        filter=a.filter.words,
        quality=quality(flags, values),
    )


def _empty(facts: RunFacts) -> RunResult:
    rig = facts.context.rig.kind
    names = [metric.name for metric in CATALOGUE.values() if rig in metric.rigs and not metric.marked]
    reason = "the run holds no samples"
    values = tuple(withheld(name, reason) for name in names if name in _ONCE)
    grade = Quality(Grade.UNUSABLE, (reason,))
    return RunResult(facts.context, values, software_version=facts.software_version, quality=grade)


def _values(a: Analysis, metric: Metric) -> list[Value]:
    """The values of one entry of the catalogue: none where this kind of rig has no such metric."""
    if a.facts.context.rig.kind not in metric.rigs or (metric.climbing and a.works_against_joint):
        return []
    if metric.name in _ONCE:
        reason = _reason(a, metric)
        return [withheld(metric.name, reason) if reason else _ONCE[metric.name](a)]
    plan, reason = a.facts.context.plan, _reason(a, metric)
    if metric.name in _AT_MARKS:
        at_s, compute = () if plan is None else plan.marks_s, _AT_MARKS[metric.name]
        return [withheld(metric.name, reason, at_s=mark) if reason else compute(a, mark) for mark in at_s]
    if metric.name == "time_to":
        at_nm = a.facts.thresholds_nm
        return [
            withheld(metric.name, reason, at_nm=mark) if reason else climb.time_to(a, mark) for mark in at_nm
        ]
    return []


def _reason(a: Analysis, metric: Metric) -> str:
    """The first thing that a metric needs and the run does not have; empty where all is there."""
    return next((reason for need in metric.needs if (reason := _lacking(a, metric, need))), "")


def _lacking(a: Analysis, metric: Metric, need: Need) -> str:
    if need is Need.CALIBRATION:
        return next((reason for sign in _signs(a, metric) if (reason := a.scale.reason(sign))), "")
    if need is Need.ZERO:
        return a.no_zero
    if need is Need.BLOWS:
        return a.no_blows
    if need is Need.SHAPE:
        resonance = "" if a.resonance is None else a.resonance.reason
        return why_unresolved(a.signal.rate_hz, a.usual_width_s) or resonance or a.filter.reason
    if need is Need.QUIET and a.ring_left > MOST_RING_FOR_LEVEL:
        return (
            f"{a.ring_left:.0%} of a blow still rings when the next one comes, so that the level between "
            "blows cannot be told"
        )
    return ""


def _signs(a: Analysis, metric: Metric) -> tuple[int, ...]:
    """Signs of torque a metric rests on."""
    if metric.name in ("retained_final", "retained_at"):
        return (a.tightening_sign,)
    return a.signs


def _calibrations(a: Analysis) -> tuple[str, ...]:
    lines = (a.scale.line(sign) for sign in a.signs)
    return tuple(line.calibration_id for line in lines if line is not None and line.calibration_id)


def _table(a: Analysis) -> BlowTable | None:
    """The blows for reports; in N·m, so none without a calibration."""
    if a.blows is None or a.window is None or not a.signal.calibrated or a.uncalibrated:
        return None
    blows, start_s = a.blows, a.window.start_s
    return BlowTable(
        start_s=blows.start_s - start_s,
        apex_s=blows.apex_s - start_s,
        peak_nm=blows.peak,
        net_peak_nm=blows.net_peak,
        impulse_nms=blows.impulse,
        level_after_nm=blows.level_after,
        width_s=blows.width_s,
        double=blows.double,
    )
