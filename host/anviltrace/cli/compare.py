"""``anviltrace compare``: repeats taken together, conditions side by side, claims beside measurements."""

from __future__ import annotations

import math
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from anviltrace.cli.console import open_console, print_words
from anviltrace.cli.options import archive_option, json_option, print_json, units_option
from anviltrace.cli.progress import progress
from anviltrace.cli.recalibration import calibration_option, print_recalibrated
from anviltrace.errors import AnalysisError
from anviltrace.units import TorqueUnit

if TYPE_CHECKING:
    from rich.console import Console

    from anviltrace.compare.claims import ClaimCheck
    from anviltrace.compare.groups import Group
    from anviltrace.compare.recalibrated import Recalibrated
    from anviltrace.compare.summary import Summary
    from anviltrace.publish.words import Shower
    from anviltrace.records import Claim

WIDTH_WITHOUT_TERMINAL = 100
"""Columns of a table that goes to a file or a pipe."""

EXPLAINED = (
    "U: expanded uncertainty (95 %) of the mean, with scatter between runs and what all runs share, above "
    "all the calibration. Bounds: by how much the true value may lie outside that, one-sided. t interval: "
    "95 %, from scatter alone. 95 % of runs: mean ± so much holds 95 % of all runs of this condition, with "
    "95 % confidence (tolerance interval, from scatter alone; few runs make it wide). In brackets: by how "
    "much a best of n lies above the mean by chance alone, on average."
)


@click.command()
@click.option("--metric", "names", multiple=True, metavar="NAME", help="Only this metric; may be repeated.")
@click.option("--tool", metavar="NAME", help="Only runs of the tool with this name.")
@calibration_option
@archive_option
@units_option
@json_option
def compare(
    names: tuple[str, ...], tool: str | None, named: str, archive_path: Path, unit: TorqueUnit, as_json: bool
) -> None:
    """Compare the conditions under which runs were recorded.

    Kept runs of one tool, supply, plan and fitting are taken together: mean with expanded uncertainty,
    spread, and the best of n beside the mean. Claims from the bench file stand beside what was measured,
    with a note wherever the two are not alike. No verdict is given. Without --metric the leading metrics
    are shown; `anviltrace metrics --explain` lists and defines all.

    \b
    Example:
      anviltrace compare --archive demo/bench.anviltrace --metric retained_final
    """
    from anviltrace.compare.doubted import doubted
    from anviltrace.metrics.catalogue import metric
    from anviltrace.publish.recalibration import changed_data
    from anviltrace.publish.words import Shower

    for name in names:
        metric(name)
    groups, claims, recalibrated = read(archive_path, tool, named)
    if as_json:
        changed = [changed_data(one, unit) for one in recalibrated]
        print_json(describe(groups, claims, names, unit) | {"recalibrated": changed})
    else:
        show(groups, claims, names, Shower(unit))
        for text in doubted(groups):
            print_words(f"DOUBTFUL: {text.replace(' is doubtful: ', ': ', 1)}")
        print_recalibrated(recalibrated, unit)


def read(
    archive_path: Path, tool: str | None, named: str = ""
) -> tuple[list[Group], list[Claim], list[Recalibrated]]:
    """The conditions of an archive with a kept run or one left out, the claims, what was recalibrated.

    Raises AnalysisError when there is none, or none of the tool of this name.
    """
    from anviltrace.archive import Archive
    from anviltrace.compare.groups import group_runs
    from anviltrace.publish.collect import evaluated
    from anviltrace.records import Claim

    with Archive.open(archive_path, read_only=True) as archive, progress("evaluating runs") as watch:
        done, claims = evaluated(archive, watch, named), archive.all(Claim)
    groups = group_runs(done.results)
    tools = list(dict.fromkeys(group.condition.tool_name for group in groups))
    wanted = [group for group in groups if tool in (None, group.condition.tool_name)]
    if tools and not wanted:
        raise AnalysisError(f"no run of a tool {tool!r}; there are runs of: {', '.join(tools)}")
    if not any(group.kept for group in wanted):
        raise AnalysisError(
            f"{archive_path} has no finished run that was kept, so there is nothing to compare: record one "
            "with `anviltrace capture`"
        )
    ids = {result.context.run.id for group in wanted for result in group.kept}
    return wanted, claims, [one for one in done.recalibrated if one.result.context.run.id in ids]


def describe(
    groups: Sequence[Group], claims: Sequence[Claim], names: tuple[str, ...], unit: TorqueUnit
) -> dict[str, Any]:
    """The comparison as plain data; every number stands beside its unit. All metrics unless named."""
    from anviltrace.compare.claims import check_claims
    from anviltrace.compare.summary import summarise

    return {
        "conditions": [
            _condition(group)
            | {
                "metrics": [
                    _metric(summary, unit)
                    for summary in summarise(group)
                    if not names or summary.name in names
                ]
            }
            for group in groups
        ],
        "claims": [_claim(check, unit) for check in check_claims(claims, groups)],
    }


def _condition(group: Group) -> dict[str, Any]:
    from anviltrace.compare.doubted import doubted

    condition = group.condition
    return {
        "label": group.label,
        "tool": condition.tool_name,
        "supply": condition.supply_name,
        "supply_state": condition.supply_state,
        "plan": condition.plan_name,
        "duty": None if condition.plan is None else condition.plan.duty.value,
        "fitting": condition.fitting_name,
        "rig": condition.rig.name,
        "rig_kind": condition.rig.kind.value,
        "doubts": doubted([group]),
        "kept": [result.context.run.id for result in group.kept],
        "discarded": [result.context.run.id for result in group.discarded],
        "interrupted": [result.context.run.id for result in group.interrupted],
    }


def _metric(found: Summary, unit: TorqueUnit) -> dict[str, Any]:
    from anviltrace.metrics.catalogue import mark_as_data, metric

    spread, own_unit = found.spread, metric(found.name).unit

    def shown(value: float | None) -> float | None:
        return None if value is None else unit.shown(value, own_unit)[0]

    return {
        "name": found.name,
        **mark_as_data(found.name, found.mark),
        "unit": unit.shown(1.0, own_unit)[1],
        "n": found.n,
        "mean": None if spread is None else shown(spread.mean),
        "expanded": shown(found.expanded),
        "dof": None if math.isinf(found.dof) else found.dof,
        "common": shown(found.common),
        "sd": None if spread is None else shown(spread.sd),
        "t_interval": None if spread is None else shown(spread.interval),
        "no_interval": found.why_no_interval,
        "tolerance_95_95": None if spread is None else shown(spread.tolerance),
        "best": None if spread is None else shown(spread.best),
        "best_bias": None if spread is None else shown(spread.best_bias),
        "under_read": shown(found.under_read),
        "over_read": shown(found.over_read),
        "withheld": [{"reason": reason, "runs": count} for reason, count in found.withheld],
        "flags": list(found.flags),
    }


def _claim(check: ClaimCheck, unit: TorqueUnit) -> dict[str, Any]:
    value, shown_unit = unit.shown(check.claim.value, check.claim.unit)
    return {
        "tool": check.group.condition.tool_name,
        "condition": check.group.label,
        "quantity": check.claim.quantity,
        "claimed": value,
        "unit": shown_unit,
        "source": check.claim.source,
        "metric": check.measured.name,
        "ratio": check.ratio,
        "ratio_expanded": check.ratio_expanded,
        "withheld": check.measured.why_none,
        "differences": list(check.flags),
    }


def show(groups: Sequence[Group], claims: Sequence[Claim], names: tuple[str, ...], shower: Shower) -> None:
    """Print the comparison for a person: a block per plan, a table per metric, then the claims."""
    from anviltrace.publish.notes import Notes
    from anviltrace.publish.sections import about_plan

    console, compared = open_console(WIDTH_WITHOUT_TERMINAL), [group for group in groups if group.kept]
    for plan_name in dict.fromkeys(group.condition.plan_name for group in compared):
        members = [group for group in compared if group.condition.plan_name == plan_name]
        console.print(f"{plan_name}: {about_plan(members[0].condition.plan)}", style="bold")
        notes = Notes()
        _show_metrics(console, members, names, shower, notes)
        _show_notes(console, notes)
    _show_claims(console, claims, compared, shower)
    for group in groups:
        if group.left_out:
            console.print(f"Left out: {group.label}: {group.left_out}.")
    console.print(EXPLAINED, style="dim")


def _show_metrics(
    console: Console, groups: Sequence[Group], names: tuple[str, ...], shower: Shower, notes: Any
) -> None:
    from anviltrace.compare.summary import summarise
    from anviltrace.metrics.catalogue import label
    from anviltrace.publish.sections import leading

    every = [(group, summary) for group in groups for summary in summarise(group)]
    wanted = names or leading(summary for _, summary in every)
    rows: dict[tuple[str, float | None], list[tuple[Group, Summary]]] = {}
    for group, summary in every:
        if summary.name in wanted:
            rows.setdefault(summary.key, []).append((group, summary))
    for key, found in rows.items():
        unit = shower.unit_of(key[0])
        headings = ["n", "mean ± U", "bounds", "s", "t interval", "95 % of\nruns", "best", "notes"]
        cells = [_metric_cells(group, summary, shower, notes) for group, summary in found]
        _print_table(console, f"{label(*key)}{f', {unit}' if unit else ''}", headings, cells)


def _metric_cells(group: Group, found: Summary, shower: Shower, notes: Any) -> list[str]:
    from anviltrace.publish.words import merged

    reasons = (f"withheld: {reason}" for reason, _ in found.withheld)
    remarks = [found.why_no_interval, *merged(found.flags), *reasons]
    best, bias = shower.best(found), shower.bias(found)
    return [
        group.condition.short_label,
        str(found.n),
        shower.mean(found),
        shower.short_bounds(found),
        shower.sd(found),
        shower.interval(found),
        shower.tolerance(found),
        best if bias == "–" else f"{best} ({bias})",
        ",".join(notes.mark(text) for text in remarks if text),
    ]


def _show_claims(console: Console, claims: Sequence[Claim], groups: Sequence[Group], shower: Shower) -> None:
    from anviltrace.compare.claims import check_claims
    from anviltrace.publish.notes import Notes

    notes = Notes()
    by_claim: dict[str, list[ClaimCheck]] = {}
    for check in check_claims(claims, groups):
        by_claim.setdefault(check.claim.id, []).append(check)
    if by_claim:
        console.print("Claims", style="bold")
    for checks in by_claim.values():
        claim, tool = checks[0].claim, checks[0].group.condition.tool_name
        source = f" ({claim.source})" if claim.source else ""
        title = f"{tool}: {claim.quantity}, {shower.claimed(claim)} claimed{source}"
        headings = ["metric", "measured", "measured / claimed", "notes"]
        _print_table(console, title, headings, [_claim_cells(check, shower, notes) for check in checks])
    _show_notes(console, notes)


def _claim_cells(check: ClaimCheck, shower: Shower, notes: Any) -> list[str]:
    from anviltrace.metrics.catalogue import label
    from anviltrace.publish.words import ratio

    why = check.measured.why_none
    texts = [*check.flags, *([f"withheld: {why}"] if why else [])]
    condition = check.group.condition
    return [
        f"{condition.supply_text}, {condition.plan_name}",
        label(check.measured.name),
        shower.mean(check.measured),
        ratio(check),
        ",".join(notes.mark(text) for text in texts),
    ]


def _print_table(
    console: Console, title: str, headings: Sequence[str], rows: Sequence[Sequence[str]]
) -> None:
    """A table under a title line; a column without an entry is left out."""
    from rich.table import Table

    console.print(title, style="underline")
    used = [0, *(place for place in range(1, len(headings) + 1) if any(row[place] for row in rows))]
    table = Table(box=None, padding=(0, 1, 0, 0), header_style="dim", expand=True)
    table.add_column("condition", ratio=1)
    for place in used[1:]:
        heading = headings[place - 1]
        table.add_column(heading, justify="left" if heading in ("metric", "notes") else "right")
    for row in rows:
        table.add_row(*(row[place] for place in used))
    console.print(table)
    console.print()


def _show_notes(console: Console, notes: Any) -> None:
    for text in notes.texts:
        console.print(f"  [{notes.mark(text)}] {text}", style="dim")
    console.print()
