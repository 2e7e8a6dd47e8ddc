"""``anviltrace metrics``: the numbers of runs with their uncertainties, and what they mean."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from anviltrace.cli.console import columns_that_fit, more_columns, open_console
from anviltrace.cli.metrics_explained import ALL, print_explained
from anviltrace.cli.options import (
    all_finite,
    archive_option,
    filter_option,
    json_option,
    print_json,
    units_option,
)
from anviltrace.cli.progress import progress
from anviltrace.cli.recalibration import calibration_option, print_recalibrated
from anviltrace.errors import AnalysisError, CalibrationError
from anviltrace.records import OF_A_TOOL
from anviltrace.units import TorqueUnit

if TYPE_CHECKING:
    from rich.table import Table

    from anviltrace.archive import Archive
    from anviltrace.compare.recalibrated import Recalibrated
    from anviltrace.metrics.batch import Manner
    from anviltrace.metrics.results import RunContext, RunResult, Value
    from anviltrace.publish.notes import Notes
    from anviltrace.records import Run

Wanted = dict[str, str | None]
"""What each filter asks for, None where it was not given."""

SHORT_ID = 8
MOST_TOLD = 8
"""Names that are told when no run has the one that was asked for."""
_MAIN = (
    "retained_final",
    "mean_torque",
    "impulse_mean",
    "peak_mean",
    "blow_rate",
    "blow_count",
    "maximum_mv_per_v",
    "rest_mv_per_v",
)
"""What the overview of several runs shows, as far as any of them has it."""
HEADING_WIDTH = 14
_GRADES = {"good": "good", "usable with care": "with care", "not usable": "not usable"}
_BOUNDS = (
    "(+x −y): beyond the interval a peak may truly be higher by up to x (filters and sampling hide its tip), "
    "and lower by up to y (noise adds to a largest reading; the rig's resonance, if it is on record)."
)


@click.command()
@archive_option
@click.argument("runs", metavar="[RUN]...", nargs=-1)
@click.option("--tool", metavar="NAME", help="Only runs of the tool with this name.")
@click.option("--plan", metavar="NAME", help="Only runs of the plan with this name.")
@click.option("--supply", metavar="NAME", help="Only runs on the supply with this name.")
@click.option("--supply-state", metavar="WORDS", help="Only runs on a supply in this state, such as tired.")
@click.option("--set", "set_id", metavar="ID", help="Only the repeats of the set whose id begins like this.")
@click.option(
    "--explain",
    metavar="[NAME]",
    is_flag=False,
    flag_value=ALL,
    help="Say what the metric or flag NAME is, how it is computed and how sure; without NAME list them all.",
)
@click.option("--markdown", "as_markdown", is_flag=True, help="With --explain: all of it as a Markdown page.")
@click.option(
    "--threshold",
    "thresholds_nm",
    type=click.FloatRange(0.0, min_open=True),
    multiple=True,
    callback=all_finite,
    metavar="N·m",
    help="Also the time until the joint keeps this torque (held rigs); may be repeated.",
)
@calibration_option
@click.option("--recompute", is_flag=True, help="Work out everything anew, whatever was kept.")
@click.option(
    "--jobs",
    type=click.IntRange(1, 256),
    metavar="N",
    help="Work with N processes; else with as many as the machine has, where there are many runs.",
)
@filter_option
@click.option("--csv", "as_csv", is_flag=True, help="Print the metrics as CSV on stdout, one row for each.")
@click.option(
    "--pictures",
    "picture_folder",
    type=click.Path(file_okay=False, path_type=Path),
    metavar="FOLDER",
    help="Draw each run (curve, blows, level, marks, a blow at close range) into FOLDER.",
)
@units_option
@json_option
def metrics(
    archive_path: Path,
    runs: tuple[str, ...],
    tool: str | None,
    plan: str | None,
    supply: str | None,
    supply_state: str | None,
    set_id: str | None,
    explain: str | None,
    as_markdown: bool,
    thresholds_nm: tuple[float, ...],
    named: str,
    recompute: bool,
    jobs: int | None,
    filter_name: str,
    as_csv: bool,
    picture_folder: Path | None,
    unit: TorqueUnit,
    as_json: bool,
) -> None:
    """Work out the numbers of RUNs, or of all measurements that were kept.

    Without RUN the main numbers of all runs are shown in one table; of each RUN named (by its id or the
    beginning of it) everything is. After ± stands the half width of the 95 % interval. What cannot be
    known is withheld, and the reason stands below the table. What was worked out is kept in the archive and
    found again as long as nothing has changed that it was made from; the same archive gives the same numbers.

    \b
    Example:
      anviltrace metrics --tool "Ostrelby" --units lbf-ft
      anviltrace metrics --explain retained_final
    """
    if explain is not None or as_markdown:
        print_explained(explain or ALL, unit, as_json, as_markdown)
        return
    from anviltrace.metrics.batch import Manner
    from anviltrace.publish.recalibration import changed_data
    from anviltrace.publish.tables import metrics_csv
    from anviltrace.publish.words import Shower

    if as_csv and as_json:
        raise click.UsageError("--csv and --json at once: choose one")
    wanted = {"tool": tool, "plan": plan, "supply": supply, "supply-state": supply_state, "set": set_id}
    manner = Manner(
        named=named, thresholds_nm=thresholds_nm, filter_name=filter_name, anew=recompute, jobs=jobs
    )
    results, changed, others = _results(archive_path, runs, wanted, manner)
    if picture_folder is not None:
        _draw(archive_path, results, named, picture_folder, unit)
    if as_json:
        moved = {one.result.context.run.id: changed_data(one, unit) for one in changed}
        print_json([_as_data(one, unit) | {"recalibrated": moved.get(one.context.run.id)} for one in results])
    elif as_csv:
        click.echo(metrics_csv(results, Shower(unit)), nl=False)
    elif not results:
        _say_none(wanted, others)
    elif runs:
        for result in results:
            _show_whole(result, unit)
    else:
        _show_overview(results, unit)
    if not as_json and not as_csv:
        print_recalibrated(changed, unit)


def _results(
    path: Path, runs: Sequence[str], wanted: Wanted, manner: Manner
) -> tuple[list[RunResult], list[Recalibrated], list[RunContext]]:
    """The results of the runs named, or of all kept ones, as far as they pass the filters; those whose
    calibration was made after them; and the runs that do not pass."""
    from anviltrace.archive import Archive
    from anviltrace.compare.recalibrated import Recalibration
    from anviltrace.metrics.batch import Batch
    from anviltrace.metrics.facts import why_unused

    with Archive.open(path, read_only=True) as archive, Batch(archive, manner) as batch:
        gatherer = batch.gatherer
        contexts = [gatherer.context(run) for run in _chosen(archive, runs)]
        candidates = [one for one in contexts if runs or one.kept]
        kept = [one.run for one in candidates if _passes(one, wanted)]
        with progress("working out runs") as advance:
            results = batch.results(kept, advance)
        recalibration = Recalibration(gatherer.calibrations, batch.result)
        changed = [recalibration.of(gatherer.without_samples(one.context.run), one) for one in results]
    if reason := why_unused(gatherer.named_id, results):
        raise CalibrationError(reason)
    others = [one for one in candidates if not _passes(one, wanted)]
    return results, [one for one in changed if one is not None], others


def _draw(path: Path, results: Sequence[RunResult], named: str, folder: Path, unit: TorqueUnit) -> None:
    """Write a picture of each run; says on stderr where they are."""
    from anviltrace.archive import Archive
    from anviltrace.metrics.facts import Gatherer
    from anviltrace.publish.collect import curve_of
    from anviltrace.publish.runpicture import write_picture

    drawn = 0
    with Archive.open(path, read_only=True) as archive, progress("drawing runs") as advance:
        gatherer = Gatherer(archive, named)
        for done, result in enumerate(results, 1):
            curve = curve_of(gatherer.facts(result.context.run), result)
            if len(curve.values):
                write_picture(folder, result, curve, unit)
                drawn += 1
            advance(done, len(results))
    click.echo(f"Pictures of {drawn} runs: {folder}", err=True)


def _chosen(archive: Archive, runs: Sequence[str]) -> list[Run]:
    """The runs named, or all runs of tools, recorded here or elsewhere, in order of time."""
    from anviltrace.records import Run

    if runs:
        return [_measurement(archive, run) for run in runs]
    return [run for run in archive.all(Run) if run.kind in OF_A_TOOL]


def _measurement(archive: Archive, beginning: str) -> Run:
    run = archive.find_run(beginning)
    if run.kind not in OF_A_TOOL:
        raise AnalysisError(f"run {beginning} is a {run.kind} recording: name the run of a tool")
    return run


def _passes(context: RunContext, wanted: Wanted) -> bool:
    """Whether a run is what was asked for; a set's id may be shortened."""
    has = _has(context)
    set_id = wanted["set"]
    if set_id is not None and not has["set"].startswith(set_id.lower()):
        return False
    return all(wish is None or name == "set" or wish == has[name] for name, wish in wanted.items())


def _has(context: RunContext) -> dict[str, str]:
    """What filters look at, empty where a run has none."""
    names = {name: getattr(getattr(context, name), "name", "") for name in ("tool", "plan", "supply")}
    return names | {"supply-state": context.run.supply_state, "set": context.run.set_id or ""}


def _say_none(wanted: Wanted, others: Sequence[RunContext]) -> None:
    """Say on stderr that no run passes, and for each filter what the runs there are would need."""
    if not others:
        click.echo("There is no run of a tool: record one with `anviltrace capture`.", err=True)
        return
    told = []
    for name in (name for name, wish in wanted.items() if wish is not None):
        length = SHORT_ID if name == "set" else None
        there = sorted({_has(one)[name][:length] for one in others} - {""})
        told.append(f"--{name}: " + (", ".join(repr(one) for one in there[:MOST_TOLD]) or "none has one"))
    click.echo(f"No such run among {len(others)}. They have {'; '.join(told)}.", err=True)


def _show_overview(results: Sequence[RunResult], unit: TorqueUnit) -> None:
    """One row for each run, its quality and main numbers, as many as fit, and the footnotes."""
    from anviltrace.publish.notes import Notes

    every = [name for name in _MAIN if any(result.value(name) is not None for result in results)]
    fitting = columns_that_fit(every, lambda names: _overview(results, names, unit, Notes()))
    names, notes, console = fitting or every[:1], Notes(), open_console()
    console.print(_overview(results, names, unit, notes))
    if len(names) < len(every):
        click.echo(more_columns(len(every) - len(names)))
    for words in dict.fromkeys(result.filter for result in results):
        click.echo(f"filter: {words}")
    _print_notes(notes, [result.value(name) for result in results for name in names], console.width)
    click.echo("\nEverything about a run, with all its flags: anviltrace metrics RUN")


def _overview(results: Sequence[RunResult], names: Sequence[str], unit: TorqueUnit, notes: Notes) -> Table:
    from rich.table import Table

    table = Table(box=None, padding=(0, 2, 0, 0))
    for heading in ("run", "tool", "supply", "duty", "quality"):
        table.add_column(heading, no_wrap=heading in ("run", "duty", "quality"))
    for name in names:
        table.add_column(_heading(name, unit), justify="right", no_wrap=True)
    for result in results:
        cells = [_cell(result.value(name), unit, notes, brief=True) for name in names]
        quality = f"{_GRADES[result.quality.grade]}{notes.raised(result.quality.reasons)}"
        table.add_row(result.context.run.id[:SHORT_ID], *_condition(result), quality, *cells)
    return table


def _show_whole(result: RunResult, unit: TorqueUnit) -> None:
    """All numbers of one run, one to a line, the leading ones first."""
    from anviltrace.publish.beside import CHANNELS, OPINIONS, channels, opinions
    from anviltrace.publish.notes import Notes

    console, notes = open_console(), Notes()
    click.secho(f"run {result.context.run.id}", bold=True)
    _say(", ".join(part for part in _description(result) if part), console.width)
    _say(f"quality: {result.quality.text}", console.width)
    console.print(_whole(result, unit, notes))
    notes.raised(result.flags)
    _print_notes(notes, result.values, console.width)
    for heading, lines in ((CHANNELS, channels(result.context)), (OPINIONS, opinions(result.context))):
        if lines:
            click.echo()
            _say(f"{heading}: {'; '.join(lines)}", console.width)
    click.echo()


def _whole(result: RunResult, unit: TorqueUnit, notes: Notes) -> Table:
    """A table of all values in groups; a group that is withheld for one reason takes one line."""
    from rich.table import Table

    from anviltrace.metrics.catalogue import Group, label, metric

    table = Table(box=None, padding=(0, 2, 0, 2), show_header=False)
    table.add_column()
    table.add_column(justify="right", no_wrap=True)
    table.add_column(no_wrap=True)
    for group in Group:
        values = [value for value in result.values if metric(value.name).group is group]
        if not values:
            continue
        table.add_row()
        if _same_reason(values):
            table.add_row(group.value.upper(), _cell(values[0], unit, notes), style="bold")
            continue
        table.add_row(group.value.upper(), style="bold")
        for value in values:
            shown = "" if _has_no_unit(value, unit) else _shown_unit(value.name, unit)
            table.add_row(f"  {label(value.name, value.mark)}", _cell(value, unit, notes), shown)
    return table


def _same_reason(values: Sequence[Value]) -> bool:
    """Whether several values are all withheld, for one and the same reason."""
    withheld = all(value.value is None and value.beyond is None for value in values)
    return len(values) > 1 and withheld and len({value.withheld for value in values}) == 1


def _has_no_unit(value: Value, unit: TorqueUnit) -> bool:
    known = value.value is not None or value.beyond is not None
    return not known or _shown_unit(value.name, unit) == "1"


def _print_notes(notes: Notes, values: Sequence[Value | None], width: int) -> None:
    from anviltrace.publish.notes import raised

    click.echo()
    for number, text in enumerate(notes.texts, 1):
        _say(text, width, f"{raised(number):>3} ")
    known = [value for value in values if value is not None and value.value is not None]
    if any(value.under_read or value.over_read for value in known):
        _say(_BOUNDS, width, "    ")


def _say(text: str, width: int, first: str = "  ") -> None:
    """A text in lines of the terminal's width, the following ones as far in as the first."""
    from textwrap import wrap

    rest = " " * len(first)
    lines = wrap(text, width, initial_indent=first, subsequent_indent=rest, break_on_hyphens=False)
    click.echo("\n".join(lines))


def _condition(result: RunResult) -> tuple[str, str, str]:
    context = result.context
    name, state = context.supply.name if context.supply else "–", context.run.supply_state
    return (
        context.tool.name if context.tool else "–",
        f"{name}, {state}" if state and state not in name.split() else name,
        context.plan.duty.value if context.plan else "–",
    )


def _description(result: RunResult) -> list[str]:
    plan, rig = result.context.plan, result.context.rig
    zero_s = result.time_zero_s
    return [
        *(part for part in _condition(result) if part != "–"),
        f"{plan.name} ({plan.rotation})" if plan else "",
        f"{rig.kind} rig {rig.name}",
        "" if zero_s is None else f"time zero is the {result.time_zero}, {zero_s:.3f} s into the record",
        f"filter: {result.filter}",
    ]


def _heading(name: str, unit: TorqueUnit) -> str:
    from textwrap import wrap

    from anviltrace.metrics.catalogue import metric

    shown = _shown_unit(name, unit)
    lines = wrap(metric(name).label, HEADING_WIDTH)
    return "\n".join(lines if shown == "1" else [*lines, shown])


def _shown_unit(name: str, unit: TorqueUnit) -> str:
    from anviltrace.metrics.catalogue import metric

    return unit.shown(0.0, metric(name).unit)[1]


def _cell(value: Value | None, unit: TorqueUnit, notes: Notes, *, brief: bool = False) -> str:
    """A value as it stands in a table, with its footnotes; if ``brief`` without those on rates and counts."""
    from anviltrace.metrics.catalogue import metric
    from anviltrace.publish.words import Shower

    if value is None:
        return ""
    shower = Shower(unit)
    if value.value is None:
        return f"{shower.value(value)}{notes.raised([value.withheld])}"
    bounds = shower.short_bounds(value)
    marks = "" if brief and not metric(value.name).torque else notes.raised(value.flags)
    return f"{shower.value(value)}{f' ({bounds})' if bounds else ''}{marks}"


def _as_data(result: RunResult, unit: TorqueUnit) -> dict[str, Any]:
    """A result in plain data, every number with its unit beside it."""
    context = result.context
    return {
        "run": context.run.id,
        "kept": context.kept,
        "tool": context.tool.name if context.tool else None,
        "supply": context.supply.name if context.supply else None,
        "supply_state": context.run.supply_state,
        "plan": context.plan.name if context.plan else None,
        "duty": context.plan.duty.value if context.plan else None,
        "rotation": context.plan.rotation.value if context.plan else None,
        "rig": context.rig.name,
        "rig_kind": context.rig.kind.value,
        "time_zero": result.time_zero,
        "time_zero_s": result.time_zero_s,
        "filter": result.filter,
        "calibrations": list(result.calibration_ids),
        "uncalibrated": result.uncalibrated,
        "software_version": result.software_version,
        "quality": {
            "grade": result.quality.grade.value,
            "reasons": list(result.quality.reasons),
            "peaks": list(result.quality.peaks),
        },
        "flags": list(result.flags),
        "sides": [asdict(channel) for channel in context.sides],
        "ratings": [asdict(rating) for rating in context.ratings],
        "values": [_value_as_data(value, unit) for value in result.values],
    }


def _value_as_data(value: Value, unit: TorqueUnit) -> dict[str, Any]:
    import math

    from anviltrace.metrics.catalogue import label, mark_as_data, metric

    of = metric(value.name).unit
    numbers = {
        name: None if getattr(value, name) is None else unit.shown(getattr(value, name), of)[0]
        for name in ("value", "expanded", "common", "under_read", "over_read", "beyond")
    }
    return {
        "name": value.name,
        "label": label(value.name, value.mark),
        **mark_as_data(value.name, value.mark),
        "unit": unit.shown(0.0, of)[1],
        **numbers,
        "dof": None if math.isinf(value.dof) else value.dof,
        "withheld": value.withheld,
        "flags": list(value.flags),
    }
