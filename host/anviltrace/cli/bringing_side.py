"""``anviltrace import-side``: put a file with other quantities beside a run."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from anviltrace.cli.bringing import (
    TIME_UNITS_S,
    rate_option,
    sensor_option,
    show_sides,
    sides_as_data,
    time_column_option,
    time_unit_option,
    to_sides,
)
from anviltrace.cli.options import archive_option, finite, json_option, note_option, print_json, user_file

if TYPE_CHECKING:
    from anviltrace.exchange.sidewish import SideWish


@click.command("import-side")
@click.argument("file", type=user_file)
@click.argument("run")
@click.option(
    "--side",
    "sides",
    multiple=True,
    required=True,
    metavar="QUANTITY=COLUMN:UNIT:WITHIN",
    callback=to_sides,
    help="A column of FILE; see `anviltrace import --help`. May be given several times.",
)
@click.option(
    "--offset",
    "offset_s",
    type=float,
    required=True,
    callback=finite,
    help="Seconds from the run's first sample to time 0 of FILE (its first sample where it has no times).",
)
@click.option(
    "--offset-within",
    "offset_within_s",
    type=click.FloatRange(0.0),
    required=True,
    callback=finite,
    help="How well that is known: ± so many seconds. Numbers say how much of their uncertainty it makes.",
)
@time_column_option
@time_unit_option
@rate_option
@click.option(
    "--full-scale",
    type=click.FloatRange(min=0.0, min_open=True),
    callback=finite,
    help="For WAV files: what the largest number (1.0 in those of floats) stands for, in its own unit.",
)
@sensor_option
@note_option
@archive_option
@json_option
def bring_side(
    file: Path,
    run: str,
    sides: tuple[SideWish, ...],
    offset_s: float,
    offset_within_s: float,
    time_column: str,
    time_unit: str | None,
    archive_path: Path,
    as_json: bool,
    **options: Any,
) -> None:
    """Put columns of FILE beside RUN: supply voltage and current, vibration of the handle, the trigger.

    FILE is of any kind that `anviltrace import` takes. RUN may have been recorded here or imported. Of
    several channels of one quantity the one added last holds, so what was added wrongly is put right by
    adding it again; nothing is lost.

    \b
    Example:
      anviltrace import-side handle.wav 3f21 --offset 0.412 --offset-within 0.002 --full-scale 10 \\
          --side "handle acceleration x=1:98.1m/s2:3%" --side "handle acceleration y=2:98.1m/s2:3%" \\
          --side "handle acceleration z=3:98.1m/s2:3%"
    """
    from anviltrace.archive.archive import Archive
    from anviltrace.exchange.sidefile import SideReading, must_fit, put_sides, read_side

    unit_s = None if time_unit is None else TIME_UNITS_S[time_unit]
    reading = SideReading(time_column, unit_s, options["rate_hz"], options["full_scale"])
    read = [read_side(file, wish, reading) for wish in sides]
    with Archive.open(archive_path) as archive:
        beside = archive.find_run(run)
        must_fit(beside, read, -offset_s)
        channels = put_sides(
            archive,
            file,
            beside,
            read,
            time_zero_s=-offset_s,
            within_s=offset_within_s,
            sensor=options["sensor"],
            note=options["note"],
        )
    if as_json:
        print_json({"run": beside.id, "sides": sides_as_data(channels)})
        return
    click.echo(f"{file.name} lies beside run {beside.id[:8]}:")
    show_sides(channels)
    click.echo(f"Its numbers: anviltrace metrics {beside.id[:8]}")
