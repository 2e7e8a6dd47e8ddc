"""``anviltrace calibration discard``, ``remark`` and ``authorise``: what people say about a calibration."""

from __future__ import annotations

from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from anviltrace.cli.options import archive_option, json_option, print_json
from anviltrace.records import readable_time

ABOUT = ("laboratory", "place", "customer", "item", "condition", "received", "environment", "warm-up",
         "deviation", "traceability", "adjustment", "opinion")  # fmt: skip
"""What remarks may be about, as publish/remarks.py explains them; spelled here to load nothing for --help."""

if TYPE_CHECKING:
    from anviltrace.calibration.line import Line
    from anviltrace.capture.discarding import Changed


def said(ctx: click.Context, param: click.Parameter, value: str) -> str:  # noqa: ARG001
    """Callback of options that must not be blank."""
    if not value.strip():
        raise click.BadParameter("it is empty: say it in words")
    return value.strip()


@click.command()
@click.argument("calibration_id", metavar="ID")
@click.argument("number", metavar="NUMBER", type=click.IntRange(1))
@click.option(
    "--reason", required=True, callback=said, help="What was wrong with it; it is shown ever after."
)
@click.option("--by", default="", help="Who decides.")
@click.option("--take-back", "back", is_flag=True, help="Take the reading into the line again.")
@archive_option
@json_option
def discard(
    calibration_id: str, number: int, reason: str, by: str, back: bool, archive_path: Path, as_json: bool
) -> None:
    """Leave reading NUMBER out of the line of calibration ID.

    NUMBER is that in `anviltrace calibration show ID --steps`. The raw counts stay; the decision is an entry
    of its own, stands in the document, and can be taken back. A reading that stands out (Grubbs) is not
    reason enough: discard one only where you know what was wrong with it. The zeros that begin and end a
    series cannot be left out.

    \b
    Example:
      anviltrace calibration discard 3f2a91c0 4 --reason "a sleeve touched the arm" --by "T. Ester"
    """
    from anviltrace.archive.archive import Archive
    from anviltrace.capture.discarding import discard_reading, take_back
    from anviltrace.capture.lines import find_calibration

    with Archive.open(archive_path) as archive:
        found = find_calibration(archive, calibration_id)
        change = (take_back if back else discard_reading)(archive, found, number, reason, by)
    print_json(_as_data(change)) if as_json else _show(change)


def _as_data(change: Changed) -> dict[str, Any]:
    before, after, moved = change.before, change.after, change.slope_change
    return {
        "calibration": change.step.calibration_id,
        "reading": change.step.number,
        "verdict": change.decision.verdict,
        "reason": change.decision.reason,
        "by": change.decision.by,
        "counts_per_nm_before": None if before is None else before.counts_per_nm,
        "counts_per_nm_after": after.counts_per_nm,
        "slope_change_percent": None if moved is None else 100.0 * moved,
        "u_before_percent": None if before is None else 100.0 * before.u_relative,
        "u_after_percent": 100.0 * after.u_relative,
        "residual_before_nm": None if before is None else before.residual_nm,
        "residual_after_nm": after.residual_nm,
    }


def _show(change: Changed) -> None:
    step, before, after = change.step, change.before, change.after
    done = "left out" if change.decision.verdict == "discard" else "taken back"
    click.echo(
        f"Reading {step.number} ({step.branch}, {step.mean_counts:.1f} counts with the zero) is {done}."
    )
    for when, line in (("before", before), ("now", after)):
        click.echo(f"  {when:<6}  {'no line' if line is None else _line(line)}")
    if change.slope_change is not None:
        click.echo(f"  slope   {100.0 * change.slope_change:+.4f} %")


def _line(line: Line) -> str:
    return (
        f"{line.counts_per_nm:.3f} counts per N·m (u {100.0 * line.u_relative:.3f} %), largest residual "
        f"{line.residual_nm:.3f} N·m"
    )


@click.command()
@click.argument("calibration_id", metavar="ID")
@click.argument("text", callback=said)
@click.option("--about", type=click.Choice(ABOUT), required=True, help="What it is about.")
@click.option("--by", default="", help="Who states it.")
@archive_option
@json_option
def remark(calibration_id: str, text: str, about: str, by: str, archive_path: Path, as_json: bool) -> None:
    """State about calibration ID what no instrument knows.

    TEXT goes into its document. Its number, dates, readings and settings are on record; name and address of
    the laboratory, the place, the customer, the transducer (item) and its condition, humidity (environment),
    deviations from the method, certificates (traceability), adjustments and the like are not, until somebody
    states them. Entries are added, never changed: the latest counts, of deviations, adjustments and opinions
    all do.

    \b
    Example:
      anviltrace calibration remark 3f2a91c0 "engine shed, bay 2" --about place --by "T. Ester"
    """
    from anviltrace.archive.archive import Archive
    from anviltrace.capture.lines import find_calibration
    from anviltrace.records import Remark, new_id, now_utc

    with Archive.open(archive_path) as archive:
        made = Remark(
            new_id(), find_calibration(archive, calibration_id).id, now_utc(), about, text, by.strip()
        )
        archive.put(made)
    if as_json:
        print_json(asdict(made))
    else:
        click.echo(f"Stated about calibration {made.calibration_id[:8]}, {about}: {text}")


@click.command()
@click.argument("calibration_id", metavar="ID")
@click.option("--by", required=True, callback=said, help="Who stands up for it, by name.")
@click.option("--note", default="", help="Anything worth keeping with it.")
@archive_option
@json_option
def authorise(calibration_id: str, by: str, note: str, archive_path: Path, as_json: bool) -> None:
    """Stand up with your name for calibration ID.

    For its data as they are now. The hash of the data is kept with it: the document and `anviltrace
    calibration show` say who authorised it, when, and whether the data still are what was authorised (a
    reading discarded later changes them). It is refused where the recordings do not bear the readings out. It
    is no accreditation.

    \b
    Example:
      anviltrace calibration authorise 3f2a91c0 --by "T. Ester"
    """
    from anviltrace.archive.archive import Archive
    from anviltrace.publish.authorising import authorise as keep

    with Archive.open(archive_path) as archive:
        made = keep(archive, calibration_id, by, note)
    if as_json:
        print_json(asdict(made))
    else:
        click.echo(
            f"Calibration {made.calibration_id[:8]} authorised by {made.by}, {readable_time(made.at)} UTC"
        )
        click.echo(f"sha256 of the data {made.data_hash}")
