"""The part of a report about each run, as plain data for its template."""

from __future__ import annotations

from typing import Any

import numpy as np
from markupsafe import Markup

from anviltrace.compare.groups import Group
from anviltrace.metrics.catalogue import Group as Heading
from anviltrace.metrics.catalogue import label, metric
from anviltrace.metrics.results import BlowTable, RunResult, Value
from anviltrace.publish.beside import CHANNELS, OPINIONS, channels, opinions
from anviltrace.publish.curves import Curve
from anviltrace.publish.material import Material, scaled
from anviltrace.publish.sketch import sketch
from anviltrace.publish.words import Shower, plural, shortened
from anviltrace.records import Gap, Notice, readable_time

BRIEFLY = ("retained_final", "mean_torque", "maximum_torque", "maximum_mv_per_v", "maximum_counts")
"""The first of these that a run has stands in its heading."""
ROOM_BEFORE, ROOM_AFTER = 2.0, 8.0
"""What is shown around one blow, in widths at half height."""
UNKNOWN_WIDTH_S = 0.002


def run_parts(material: Material) -> list[dict[str, Any]]:
    """A part for each kept run, by condition."""
    return [
        _part(material, number, group, result)
        for number, group in enumerate(material.compared)
        for result in group.kept
    ]


def _part(material: Material, number: int, group: Group, result: RunResult) -> dict[str, Any]:
    run = result.context.run
    curve = material.curves.get(run.id)
    return {
        "number": number,
        "heading": f"{group.label}, run {group.kept.index(result) + 1}",
        "brief": "; ".join(text for text in (_brief(result, material.shower), _graded(result)) if text),
        "facts": _facts(result),
        "pictures": [] if curve is None else _pictures(curve, result, material),
        "rows": _rows(result, material.shower),
        "lists": _lists(result),
    }


def _brief(result: RunResult, shower: Shower) -> str:
    for name in BRIEFLY:
        found = result.value(name)
        if found is not None and found.value is not None:
            return f"{label(name)} {shower.value(found)} {shower.unit_of(name)}"
    return ""


def _graded(result: RunResult) -> str:
    """The grade of a run and its reasons, without what concerns peaks alone."""
    grade, reasons = result.quality.grade.value, "; ".join(result.quality.reasons)
    return f"{grade}: {reasons}" if reasons else grade


def _facts(result: RunResult) -> list[tuple[str, str]]:
    context = result.context
    run, settings = context.run, context.settings
    rate_hz = run.rate_hz or settings.rate_hz
    facts = [
        ("quality", result.quality.text),
        ("run", run.id),
        ("started", f"{readable_time(run.started_at)} UTC"),
        ("fitting", context.fitting_name or "none named"),
        ("samples", f"{run.samples} at {rate_hz:.2f} a second, gain {settings.gain}"),
        ("time zero", _time_zero(result)),
        ("filter", result.filter),
        ("blows found", "none" if result.blows is None else str(len(result.blows))),
        ("calibration", _calibrations(result)),
        ("code version", result.software_version),
    ]
    if context.decision is not None:
        facts.append(
            ("decision", f"{context.decision.verdict}: {context.decision.reason or 'no reason given'}")
        )
    return facts


def _time_zero(result: RunResult) -> str:
    if result.time_zero_s is None or not result.time_zero:
        return "none"
    return f"{result.time_zero}, {result.time_zero_s:.4f} s after the first sample"


def _calibrations(result: RunResult) -> str:
    if result.uncalibrated:
        return f"none: {result.uncalibrated}"
    return ", ".join(shortened(name) for name in result.calibration_ids) or "none used"


def _rows(result: RunResult, shower: Shower) -> list[dict[str, Any]]:
    """A row for each value, group by group; the first of each group names it."""
    rows = []
    for heading in Heading:
        of_group = [value for value in result.values if metric(value.name).group is heading]
        rows += [
            _row(value, shower) | {"group": "" if number else heading.value}
            for number, value in enumerate(of_group)
        ]
    return rows


def _row(found: Value, shower: Shower) -> dict[str, Any]:
    remarks = (
        why_no_value(found),
        *shower.bounds(found),
        *found.flags,
    )
    return {
        "label": label(found.name, found.mark),
        "value": shower.value(found),
        "unit": shower.unit_of(found.name),
        "remarks": [text for text in remarks if text],
    }


def why_no_value(found: Value) -> str:
    """Why a metric has no value, in words; empty where it has one."""
    if found.value is not None:
        return ""
    return found.withheld if found.beyond is not None else f"withheld: {found.withheld}"


def _lists(result: RunResult) -> list[tuple[str, list[str]]]:
    context = result.context
    found = (
        ("Flags", list(result.flags)),
        ("Gaps", [_gap(gap) for gap in context.gaps]),
        ("Notices", [_notice(notice) for notice in context.notices]),
        (CHANNELS, channels(context)),
        (OPINIONS, opinions(context)),
    )
    return [(heading, lines) for heading, lines in found if lines]


def _gap(gap: Gap) -> str:
    exact = f"±{gap.uncertainty}" if gap.uncertainty else "exactly"
    last = gap.first_index + gap.count - 1
    return f"samples {gap.first_index} to {last}: {gap.count} ({exact}) lost by the {gap.cause.value}"


def _notice(notice: Notice) -> str:
    text = "".join(sign if sign.isprintable() else " " for sign in notice.text)
    return f"at sample {notice.at_index}, {notice.kind}: {text}"


def _pictures(curve: Curve, result: RunResult, material: Material) -> list[tuple[Markup, str]]:
    factor, unit = scaled(curve, material.unit)
    blows = result.blows
    starts = () if blows is None else tuple(float(start) for start in blows.start_s)
    whole = sketch(curve, "whole run", unit, scale=factor, ticks_s=starts)
    caption = f"Whole run; the marks below are its {plural(len(starts), 'blow')}." if starts else "Whole run."
    pictures = [(whole, caption)]
    if blows is not None and len(blows):
        pictures.append(_one_blow(curve, blows, factor, unit))
    return [(picture, text) for picture, text in pictures if picture]


def _one_blow(curve: Curve, blows: BlowTable, factor: float, unit: str) -> tuple[Markup, str]:
    """The blow in the middle of the run, every sample a dot."""
    number = len(blows) // 2
    width_s = float(blows.width_s[number])
    if not np.isfinite(width_s) or width_s <= 0.0:
        width_s = UNKNOWN_WIDTH_S
    start_s = float(blows.start_s[number])
    stretch = curve.between(start_s - ROOM_BEFORE * width_s, start_s + ROOM_AFTER * width_s)
    picture = sketch(stretch, "one blow", unit, scale=factor, dots=True, milliseconds=True)
    return (
        picture,
        f"Blow {number + 1} of {len(blows)}, {start_s:.3f} s after time zero; each dot is a sample.",
    )
