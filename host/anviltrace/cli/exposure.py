"""``anviltrace exposure``: what the vibration of runs comes to over a working day."""

from __future__ import annotations

import math
from itertools import islice
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from anviltrace.cli.console import print_table
from anviltrace.cli.options import archive_option, json_option, print_json

if TYPE_CHECKING:
    from anviltrace.metrics.exposure import Exposure, Task

_CAUTION = "This is no type test and no expert's assessment. Measure at both hands and take the higher."
_ONE_RUN = (
    "Where one run alone stands for a task, how runs differ is not in the interval: name several, "
    "RUN,RUN,RUN=MINUTES."
)


def _to_tasks(
    ctx: click.Context,  # noqa: ARG001
    param: click.Parameter,  # noqa: ARG001
    values: tuple[str, ...],
) -> tuple[tuple[tuple[str, ...], float], ...]:
    tasks = []
    for text in values:
        runs, _, minutes = text.partition("=")
        names = tuple(runs.split(","))
        try:
            tasks.append((names, float(minutes)))
        except ValueError:
            raise click.BadParameter(
                f"{text!r} is not RUN=MINUTES, for instance 3f21=45, or 3f21,a07c=45 for several runs"
            ) from None
        if not all(names) or not math.isfinite(tasks[-1][1]) or tasks[-1][1] <= 0.0:
            raise click.BadParameter(f"{text!r} does not give more than 0 minutes of a run")
    return tuple(tasks)


@click.command()
@archive_option
@click.argument("tasks", metavar="RUN[,RUN...]=MINUTES...", nargs=-1, required=True, callback=_to_tasks)
@json_option
def exposure(archive_path: Path, tasks: tuple[tuple[tuple[str, ...], float], ...], as_json: bool) -> None:
    """Work out a day's exposure to vibration, A(8), from runs with handle acceleration.

    Each argument is a task: the RUN that stands for it, or several runs made of it, whose mean of squares is
    taken, weighted with the time each struck (as ISO 5349-2 has it). MINUTES says how long a day the tool
    really vibrates in the hand: the time the trigger is held, added up over the day, not that of the run and
    not the whole shift. A(8) is held against the exposure action value (2.5 m/s²) and limit value (5 m/s²) of
    Directive 2002/44/EC; points of tasks add up, 100 are the action value and 400 the limit value.

    \b
    Example:
      anviltrace exposure 3f21,5b90,c1d4=45 a07c=10
    """
    from anviltrace.archive import Archive
    from anviltrace.metrics.batch import Batch
    from anviltrace.metrics.exposure import day_of, task_of

    with Archive.open(archive_path, read_only=True) as archive, Batch(archive) as batch:
        results = iter(batch.results([archive.find_run(run) for runs, _ in tasks for run in runs]))
        day = day_of([task_of(list(islice(results, len(runs))), minutes) for runs, minutes in tasks])
    print_json(_as_data(day)) if as_json else _show(day)


def _as_data(day: Exposure) -> dict[str, Any]:
    return {
        "a8": day.a8,
        "expanded": day.expanded,
        "unit": "m/s²",
        "points": day.points,
        "action_value": day.action,
        "limit_value": day.limit,
        "tasks": [
            {
                "name": task.name,
                "a_hv": task.a_hv,
                "a_hv_of_runs": list(task.runs),
                "minutes": task.minutes,
                "a8": task.partial,
                "points": task.points,
                "flags": list(task.flags),
            }
            for task in day.tasks
        ],
    }


def _show(day: Exposure) -> None:
    from rich.table import Table

    from anviltrace.metrics.figures import rounded, value_with_uncertainty
    from anviltrace.publish.notes import Notes, raised

    notes, table = Notes(), Table(box=None, padding=(0, 2, 0, 0))
    table.add_column("task")
    for heading in ("a_hv\nm/s²", "a day\nmin", "A(8)\nm/s²", "points"):
        table.add_column(heading, justify="right")
    for task in day.tasks:
        table.add_row(*_row(task, notes.raised(task.flags)))
    table.add_row("whole day", "", "", value_with_uncertainty(day.a8, day.expanded), rounded(day.points, 3))
    print_table(table)
    click.echo(f"\nThe day is {day.action} the exposure action value of 2.5 m/s² and {day.limit} the limit")
    click.echo("value of 5 m/s² (A(8), Directive 2002/44/EC), as far as its uncertainty goes.")
    for number, text in enumerate(notes.texts, 1):
        click.echo(click.wrap_text(f"{raised(number):>3} {text}", 100, "", "    "))
    click.echo(click.wrap_text(_CAUTION, 100))
    if any(len(task.runs) < 2 for task in day.tasks):
        click.echo(click.wrap_text(_ONE_RUN, 100))


def _row(task: Task, marks: str) -> tuple[str, ...]:
    from anviltrace.metrics.figures import rounded

    return (
        task.name,
        f"{rounded(task.a_hv, 3)}{marks}",
        f"{task.minutes:g}",
        rounded(task.partial, 3),
        rounded(task.points, 3),
    )
