"""``anviltrace calibration verify``: every reading and the line anew from the raw counts."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from anviltrace.cli.options import archive_option, json_option, print_json

if TYPE_CHECKING:
    from anviltrace.archive.archive import Archive
    from anviltrace.publish.recomputed import Recomputed


@click.command()
@click.argument("calibration_ids", metavar="[ID]...", nargs=-1)
@archive_option
@json_option
def verify(calibration_ids: tuple[str, ...], archive_path: Path, as_json: bool) -> None:
    """Work calibrations out anew from their raw counts.

    And hold that against what is on record: mean, scatter and drift of each reading, then the line through
    these; without ID all calibrations that give a line. Numbers are compared bit for bit; on another kind of
    machine sums may be rounded otherwise in the last digits, which is said. Exit code 7 when anything differs
    beyond that.

    \b
    Example:
      anviltrace calibration verify --archive demo/bench.anviltrace
    """
    from anviltrace.archive.archive import Archive
    from anviltrace.errors import DamageError

    with Archive.open(archive_path, read_only=True) as archive:
        found = [_recomputed(archive, one) for one in calibration_ids or _with_line(archive)]
    if as_json:
        print_json([_as_data(one) for one in found])
    else:
        for one in found:
            _show(one)
        if not found:
            click.echo("No calibration gives a line: `anviltrace calibration list` shows why.", err=True)
    if wrong := [one.calibration_id[:8] for one in found if one.differences]:
        raise DamageError(
            f"calibration {', '.join(wrong)} does not agree with its recordings: "
            "do not rely on it; `anviltrace archive verify` looks further"
        )


def _with_line(archive: Archive) -> list[str]:
    from anviltrace.calibration.history import valid
    from anviltrace.capture.lines import candidates

    return [one.calibration.id for one in candidates(archive) if valid(one)]


def _recomputed(archive: Archive, beginning: str) -> Recomputed:
    from anviltrace.publish.document import collect_document
    from anviltrace.publish.recomputed import recompute

    return recompute(collect_document(archive, beginning))


def _as_data(one: Recomputed) -> dict[str, Any]:
    return {
        "calibration": one.calibration_id,
        "identical": one.identical,
        "differences": list(one.differences),
        "counts_per_nm": one.line.counts_per_nm,
        "counts_per_nm_again": one.line_again and one.line_again.counts_per_nm,
        "readings": [
            {
                "number": step.number,
                "mean_counts": step.mean_counts,
                "mean_counts_again": again and again.mean_counts,
                "identical": step == again,
            }
            for step, again in one.steps
        ],
    }


def _show(one: Recomputed) -> None:
    name = f"Calibration {one.calibration_id[:8]}"
    if one.identical:
        slope = f"{one.line.counts_per_nm:.6f} counts per N·m"
        click.echo(f"{name}: {len(one.steps)} readings and the line ({slope}) worked out anew from the raw "
                   "counts: identical to the last bit.")  # fmt: skip
    elif not one.differences:
        same = sum(step == again for step, again in one.steps)
        click.echo(f"{name}: {same} of {len(one.steps)} readings identical, the others but for rounding.")
    for difference in one.differences:
        click.echo(f"{name}: NOT BORNE OUT: {difference}")
