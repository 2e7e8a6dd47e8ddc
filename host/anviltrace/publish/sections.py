"""The parts of a report about conditions and claims, as plain data for its template."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Any

from anviltrace.compare.claims import ClaimCheck
from anviltrace.compare.groups import Group
from anviltrace.compare.summary import Summary
from anviltrace.metrics.catalogue import CATALOGUE, label, metric
from anviltrace.publish.material import Material
from anviltrace.publish.notes import Notes
from anviltrace.publish.words import WITHHELD, Shower, best_of_n_note, has_best, merged, plural, ratio
from anviltrace.records import Plan, turning

HEADLINES = ("retained_final", "mean_torque", "maximum_torque", "impulse_mean", "blow_rate")
"""The metrics of the summary, where a condition has them."""
READINGS = ("maximum_mv_per_v", "rest_mv_per_v", "maximum_counts", "rest_counts")
"""What stands in the summary where no torque is known."""


def sections(material: Material) -> list[dict[str, Any]]:
    """One table per plan: a row per condition, a column per leading metric."""
    by_plan: dict[str, list[int]] = {}
    for number, group in enumerate(material.compared):
        by_plan.setdefault(_plan_key(group), []).append(number)
    return [_section(material, numbers) for numbers in by_plan.values()]


def _plan_key(group: Group) -> str:
    return "" if group.condition.plan is None else group.condition.plan.id


def _section(material: Material, numbers: Sequence[int]) -> dict[str, Any]:
    groups = [material.compared[number] for number in numbers]
    names = leading(summary for number in numbers for summary in material.summaries[number])
    notes = Notes()
    return {
        "heading": groups[0].condition.plan_name,
        "about": about_plan(groups[0].condition.plan),
        "columns": [{"label": label(name), "unit": material.shower.unit_of(name)} for name in names],
        "rows": [_row(material, number, names, notes) for number in numbers],
        "notes": notes.texts,
    }


def leading(found: Iterable[Summary]) -> list[str]:
    """The names of the leading metrics there are, and of readings where no torque is known."""
    summaries = list(found)
    there = {summary.name for summary in summaries}
    with_value = {summary.name for summary in summaries if summary.n}
    names = [name for name in HEADLINES if name in there]
    if not any(metric(name).torque for name in with_value.intersection(HEADLINES)):
        names += [name for name in READINGS if name in with_value]
    return names


def _row(material: Material, number: int, names: Sequence[str], notes: Notes) -> dict[str, Any]:
    group = material.compared[number]
    summaries = {summary.name: summary for summary in material.summaries[number] if summary.mark is None}
    return {
        "number": number,
        "label": label_in_section(group),
        "left_out": group.left_out,
        "n": len(group.kept),
        "cells": [_cell(summaries.get(name), material.shower, notes) for name in names],
    }


def label_in_section(group: Group) -> str:
    """Tool and supply; whatever else the label has to tell the condition apart stays."""
    condition = group.condition
    return condition.label.replace(f" · {condition.plan_name}", "", 1)


def _cell(found: Summary | None, shower: Shower, notes: Notes) -> dict[str, Any]:
    if found is None:
        return {"text": "–", "note": "", "lines": []}
    if found.spread is None:
        return {"text": WITHHELD, "note": notes.mark(f"withheld: {found.why_none}"), "lines": []}
    lines, marks = [], []
    if has_best(found):
        lines.append(f"best {shower.best(found)} ({shower.bias(found)})")
    if found.why_no_interval:
        marks.append(notes.mark(f"{found.why_no_interval}: the uncertainty is that of the run alone"))
    if found.withheld:
        reasons = "; ".join(f"{reason} ({plural(count, 'run')})" for reason, count in found.withheld)
        lines.append(f"of {plural(found.n, 'run')}")
        marks.append(notes.mark(f"withheld in some runs: {reasons}"))
    if bounds := shower.short_bounds(found):
        lines.append(f"{bounds} beyond")
    marks.extend(notes.mark(flag) for flag in merged(found.flags))
    return {"text": shower.mean(found), "note": " ".join(marks), "lines": lines}


def about_plan(plan: Plan | None) -> str:
    """What a plan does, in a line."""
    if plan is None:
        return "no plan is known"
    thread = "" if plan.thread == "none" else f" on a {plan.thread.value}-hand thread"
    how = f"{plan.duty.value}, {turning(plan.rotation.sign)}{thread}"
    return f"{how}, from {plan.start.value}, {plan.drive_s:g} s of drive"


def blocks(material: Material) -> list[dict[str, Any]]:
    """Every metric of every condition."""
    return [
        {
            "number": number,
            "label": group.label,
            "runs": plural(len(group.kept), "run"),
            "rows": [_metric_row(summary, material.shower) for summary in material.summaries[number]],
        }
        for number, group in enumerate(material.compared)
    ]


def _metric_row(found: Summary, shower: Shower) -> dict[str, Any]:
    bias = shower.bias(found)
    return {
        "label": label(found.name, found.mark),
        "mean": shower.mean(found),
        "unit": shower.unit_of(found.name),
        "n": found.n,
        "sd": shower.sd(found),
        "interval": shower.interval(found),
        "tolerance": shower.tolerance(found),
        "best": shower.best(found),
        "bias": "" if bias == "–" else bias,
        "remarks": _remarks(found, shower),
    }


def _remarks(found: Summary, shower: Shower) -> list[str]:
    reasons = [f"withheld in {plural(count, 'run')}: {reason}" for reason, count in found.withheld]
    return [
        text
        for text in (found.why_no_interval, *shower.bounds(found), *merged(found.flags), *reasons)
        if text
    ]


def claim_blocks(material: Material) -> list[dict[str, Any]]:
    """One table per claim: a row per condition, a column per metric it can be set against."""
    by_claim: dict[str, list[ClaimCheck]] = {}
    for check in material.checks:
        by_claim.setdefault(check.claim.id, []).append(check)
    return [_claim_block(material, checks) for checks in by_claim.values()]


def _claim_block(material: Material, checks: Sequence[ClaimCheck]) -> dict[str, Any]:
    claim, shower = checks[0].claim, material.shower
    tool = checks[0].group.condition.tool_name
    names = list(dict.fromkeys(check.measured.name for check in checks))
    labels = dict.fromkeys(check.group.label for check in checks)
    by_place = {(check.group.label, check.measured.name): check for check in checks}
    notes = Notes()
    return {
        "heading": f"{tool}: {claim.quantity}, {shower.claimed(claim)} claimed",
        "about": f"source: {claim.source}" if claim.source else "no source named",
        "columns": [{"label": label(name), "unit": "measured / claimed"} for name in names],
        "rows": [
            {
                "number": _number_of(material, group_label),
                "label": group_label,
                "cells": [_claim_cell(by_place.get((group_label, name)), shower, notes) for name in names],
            }
            for group_label in labels
        ],
        "notes": notes.texts,
    }


def _number_of(material: Material, group_label: str) -> int:
    return [group.label for group in material.compared].index(group_label)


def _claim_cell(check: ClaimCheck | None, shower: Shower, notes: Notes) -> dict[str, Any]:
    if check is None:
        return {"text": "–", "note": "", "lines": []}
    why = check.measured.why_none
    texts = [*check.flags, *([f"withheld: {why}"] if why else [])]
    return {
        "text": ratio(check) if not why else WITHHELD,
        "note": " ".join(notes.mark(text) for text in texts),
        "lines": []
        if why
        else [f"measured {shower.mean(check.measured)} {shower.unit_of(check.measured.name)}"],
    }


def best_note(material: Material) -> str:
    """What the bias of a best of n is, for every n that occurs; empty where none does."""
    counts = {summary.n for found in material.summaries for summary in found if has_best(summary)}
    return best_of_n_note(sorted(counts)) if counts else ""


def definitions(material: Material) -> list[dict[str, str]]:
    """The metrics that occur, with their definitions."""
    used = {value.name for result in material.results for value in result.values}
    return [
        {
            "label": entry.label,
            "unit": material.shower.unit_of(entry.name),
            "definition": entry.definition,
            "computed": entry.computed,
            "uncertainty": entry.uncertainty,
        }
        for entry in CATALOGUE.values()
        if entry.name in used
    ]
