"""``anviltrace report``: everything about the runs of an archive, in a folder to give away."""

from __future__ import annotations

from pathlib import Path

import click

from anviltrace.cli.options import archive_option, filter_option, json_option, units_option
from anviltrace.cli.progress import progress
from anviltrace.cli.recalibration import calibration_option
from anviltrace.cli.written import show_written
from anviltrace.units import TorqueUnit


@click.command()
@click.argument("folder", type=click.Path(file_okay=False, path_type=Path), default=Path("report"))
@click.option("--title", default="", help="Heading of the report; the name of the rig if not given.")
@calibration_option
@filter_option
@archive_option
@units_option
@json_option
def report(
    folder: Path,
    title: str,
    named: str,
    filter_name: str,
    archive_path: Path,
    unit: TorqueUnit,
    as_json: bool,
) -> None:
    """Write a report of all kept runs into FOLDER (default: report).

    report.html works offline in any browser: a table with uncertainties, claims, curves that zoom to a
    single blow, every run, the calibrations, and what one made after the runs changes. Beside it lie
    overlay.png and overlay.svg, and runs.csv and metrics.csv for spreadsheets. Files of these names are
    replaced.

    \b
    Example:
      anviltrace report fishplates --archive demo/bench.anviltrace --title "Fishplate bolts"
    """
    from anviltrace.archive import Archive
    from anviltrace.publish.collect import collect
    from anviltrace.publish.report import write_report

    with Archive.open(archive_path, read_only=True) as archive, progress("evaluating runs") as watch:
        material = collect(archive, title, unit, watch, named, filter_name)
    click.echo("writing the report", err=True)
    written = write_report(material, folder)
    show_written(written, as_json)
