"""``anviltrace calibration document``: one calibration as a page and its data, to give away."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import click

from anviltrace.cli.calibration_numbers import rule_option
from anviltrace.cli.options import archive_option, json_option, units_option
from anviltrace.cli.written import show_written
from anviltrace.units import TorqueUnit


@click.command()
@click.argument("calibration_id", metavar="ID")
@click.argument("folder", type=click.Path(file_okay=False, path_type=Path), default=Path("calibration"))
@rule_option
@archive_option
@units_option
@json_option
def document(
    calibration_id: str, folder: Path, rule_name: str, archive_path: Path, unit: TorqueUnit, as_json: bool
) -> None:
    """Write calibration ID as a document to hand over.

    A page and its data, into FOLDER (default: calibration). The page works offline in any browser: result
    with uncertainty, every reading, residuals, hysteresis loop, where the uncertainty comes from, what it
    cannot tell, and what is not on record. The JSON file beside it holds the same in N·m with all digits and
    every raw count. All of it is computed anew from the archive; the hash says whether two documents rest on
    the same data. Files of these names are replaced.

    \b
    Example (the beginning of the id is enough; `anviltrace calibration list` shows them):
      anviltrace calibration document 3f2a91c0 handover
    """
    from anviltrace.archive.archive import Archive
    from anviltrace.calibration.conformity import find_rule
    from anviltrace.publish.document import collect_document
    from anviltrace.publish.documentfiles import write_document

    with Archive.open(archive_path, read_only=True) as archive:
        found = replace(collect_document(archive, calibration_id), rule=find_rule(rule_name))
    for sentence in found.disagreements():
        click.echo(f"NOT BORNE OUT BY ITS RECORDING: {sentence}", err=True)
    show_written(write_document(found, folder, unit), as_json)
