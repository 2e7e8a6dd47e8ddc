"""``--calibration``, and what ``metrics`` and ``compare`` say about calibrations made after the runs."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import click

from anviltrace.cli.console import print_table, print_words

if TYPE_CHECKING:
    from anviltrace.compare.recalibrated import Recalibrated
    from anviltrace.units import TorqueUnit

_SHOWN = 12
"""So many rows are printed; the rest is in the JSON and in the report."""

calibration_option = click.option(
    "--calibration",
    "named",
    default="",
    metavar="ID",
    help="Use this calibration for torque of its direction, instead of the newest that fits.",
)


def print_recalibrated(found: Sequence[Recalibrated], unit: TorqueUnit) -> None:
    """Print what later calibrations changed; nothing where they did not."""
    from rich.table import Table

    from anviltrace.publish.recalibration import recalibration_part

    part = recalibration_part(found, unit)
    if part is None:
        return
    click.echo("\nWhat a later calibration changes")
    for sentence in part["calibrations"]:
        print_words(sentence, "  ")
    table = Table(box=None, padding=(0, 2, 0, 2))
    for heading in ("run", "tool", "metric", "unit"):
        table.add_column(heading, no_wrap=heading == "run")
    for heading in ("by the earlier", "by the later", "change, %"):
        table.add_column(heading, justify="right")
    for row in part["rows"][:_SHOWN]:
        table.add_row(*row)
    print_table(table)
    if (more := len(part["rows"]) - _SHOWN) > 0:
        click.echo(f"  and {more} more: --json, or `anviltrace report`")
