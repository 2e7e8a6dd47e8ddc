"""``anviltrace calibration check`` and ``checks``: a known weight before work, and what came of them."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from anviltrace.cli.console import print_table
from anviltrace.cli.options import (
    archive_option,
    bench_option,
    gain_option,
    inventory_option,
    json_option,
    note_option,
    plan_settings_option,
    port_option,
    print_json,
    rate_option,
    units_option,
)
from anviltrace.records import Rotation, readable_time, turning
from anviltrace.units import TorqueUnit

if TYPE_CHECKING:
    from collections.abc import Sequence

    from anviltrace.archive.archive import Archive
    from anviltrace.calibration.check import Checked, CheckResult
    from anviltrace.calibration.choose import Candidate
    from anviltrace.calibration.line import Line
    from anviltrace.capture.check import CheckTask
    from anviltrace.link.session import Session as Link
    from anviltrace.records import CheckReading, Settings

_SHOWN = 10
"""Latest points of a control chart that are printed."""
REMEDY = "Look for a wrong weight, a touch at the arm, a loose wire; check again; then calibrate anew."


@click.command()
@click.option("--mass", "mass_names", multiple=True, required=True,
              help="Weight in the weights file; repeat it for several hung at once.")  # fmt: skip
@click.option("--arm", "arm_name", required=True, help="Name of the arm in the weights file.")
@click.option("--direction", type=click.Choice([turn.value for turn in Rotation]), required=True,
              help="Where the weight turns the rig, seen from behind the tool.")  # fmt: skip
@inventory_option
@bench_option
@plan_settings_option
@rate_option
@gain_option
@click.option("--operator", default="", help="Who hangs the weight.")
@note_option
@port_option
@archive_option
@units_option
@json_option
def check(
    mass_names: tuple[str, ...],
    arm_name: str,
    direction: str,
    inventory_file: Path,
    bench_file: Path,
    plan_file: Path | None,
    rate_hz: float | None,
    gain: int | None,
    operator: str,
    note: str,
    port_url: str,
    archive_path: Path,
    unit: TorqueUnit,
    as_json: bool,
) -> None:
    """Hang a known weight before work: does the rig read as it did?

    A zero, the weight, a zero. The reading by the calibration in use is held against the torque of the
    weight, and against the checks before it: always the same weight on the same arm makes the chart.

    \b
    Example, on the virtual rig, in the folder that `anviltrace demo` leaves:
      anviltrace calibration check --mass "check weight" --arm "long arm" --direction cw \\
          --plan tightening.toml --port virtual://fishplate-held
    """
    from anviltrace import __version__
    from anviltrace.archive.archive import Archive
    from anviltrace.calibration.inventory import read_inventory
    from anviltrace.capture.benchfile import read_bench
    from anviltrace.capture.check import CheckTask, checked
    from anviltrace.capture.plan import settings_wanted
    from anviltrace.cli.capture import open_session
    from anviltrace.link.port import open_port
    from anviltrace.link.session import Session as Link

    inventory, bench = read_inventory(inventory_file), read_bench(bench_file)
    arm, sign = inventory.arm(arm_name), Rotation(direction).sign
    masses = tuple(inventory.mass(name) for name in dict.fromkeys(mass_names))
    rate_hz, gain = settings_wanted(plan_file, rate_hz, gain)
    with Archive.open(archive_path, create=True) as archive, Link(open_port(port_url)) as link:
        settings = link.configure(rate_hz, gain)
        against = _calibration_for(archive, sign, bench.rig.id, settings)
        session = open_session(archive, link, bench, settings, operator)
        try:
            task = CheckTask(
                session_id=session.id,
                settings=settings,
                inventory=inventory,
                arm=arm,
                masses=masses,
                sign=sign,
                software_version=__version__,
                note=note,
            )
            _refuse_too_much(task, against.fit().line)
            made = check_one(archive, link, task, unit)
        finally:
            archive.end_session(session.id)
        facts = describe(archive, checked(archive, made), against, unit)
    print_json(facts) if as_json else _show(facts)


def _calibration_for(archive: Archive, sign: int, rig_id: str, settings: Settings) -> Candidate:
    """The calibration that a run would take now; raises CalibrationError when there is none."""
    from anviltrace.capture.lines import candidate, line_for
    from anviltrace.errors import CalibrationError
    from anviltrace.records import Calibration

    found = line_for(archive, sign, rig_id, settings)
    if isinstance(found, str):
        raise CalibrationError(f"nothing to check against: {found}")
    return candidate(archive, archive.get(Calibration, found.line.calibration_id))


def _refuse_too_much(task: CheckTask, line: Line) -> None:
    from anviltrace.errors import CalibrationError

    if reason := line.why_withheld(task.torque_nm):
        raise CalibrationError(f"too much to check with: {reason}")


def check_one(archive: Archive, link: Link, task: CheckTask, unit: TorqueUnit) -> CheckReading:
    """Record one check in an open session, with the hand that fits the port."""
    from anviltrace.capture.check import record_check
    from anviltrace.capture.recorder import Recorder
    from anviltrace.cli.live import LiveDisplay, Scale
    from anviltrace.cli.weights import CAUTIONS, OperatorWeights, PersonWeights

    operator = getattr(link.port, "operator", None)
    if operator is None:
        click.echo(CAUTIONS, err=True)
    with LiveDisplay(Scale(task.settings)) as display:
        recorder = Recorder(link, archive, task.settings, task.session_id, display.watch)
        hand = PersonWeights(unit) if operator is None else OperatorWeights(operator)
        return record_check(
            recorder, archive, task, hand, lambda what: click.echo(f"reading: {what}", err=True)
        )


@click.command()
@archive_option
@units_option
@json_option
def checks(archive_path: Path, unit: TorqueUnit, as_json: bool) -> None:
    """Show the latest checks, each with its control chart.

    One of each kind (rig, direction, settings, arm, weights).

    \b
    Example:
      anviltrace calibration checks
    """
    from anviltrace.archive.archive import Archive

    with Archive.open(archive_path, read_only=True) as archive:
        found = [_describe_latest(archive, one, unit) for one in _latest_of_each_kind(archive)]
    if as_json:
        print_json(found)
    elif not found:
        click.echo("No check yet: make one with `anviltrace calibration check`.", err=True)
    else:
        for facts in found:
            if facts["why_not"]:
                click.echo(f"\nCheck {facts['id'][:8]}: {facts['why_not']}")
            else:
                _show(facts)


def _latest_of_each_kind(archive: Archive) -> list[Checked]:
    from anviltrace.capture.check import checked
    from anviltrace.records import CheckReading

    latest: list[Checked] = []
    for made in archive.all(CheckReading):
        one = checked(archive, made)
        latest = [*(other for other in latest if other.why_another_kind(one)), one]
    return latest


def _describe_latest(archive: Archive, one: Checked, unit: TorqueUnit) -> dict[str, Any]:
    from anviltrace.errors import CalibrationError

    try:
        against = _calibration_for(archive, one.check.sign, one.rig_id, one.settings)
        return describe(archive, one, against, unit) | {"why_not": ""}
    except CalibrationError as error:
        return {"id": one.check.id, "taken_at": one.check.taken_at, "why_not": str(error)}


def describe(archive: Archive, one: Checked, against: Candidate, unit: TorqueUnit) -> dict[str, Any]:
    """A check as plain data. Torques are in ``torque_unit``, ``_percent`` is of the reference.

    Raises CalibrationError where the calibration gives no torque of this size.
    """
    from anviltrace.calibration.check import hold_against
    from anviltrace.capture.check import history
    from anviltrace.records import Rig

    result, made = hold_against(one, against), one.check
    return {
        "id": made.id,
        "taken_at": made.taken_at,
        "rig": archive.get(Rig, one.rig_id).name,
        "direction": turning(made.sign),
        "arm": one.arm.name,
        "masses": [mass.name for mass in one.masses],
        "rate_hz": one.settings.rate_hz,
        "gain": one.settings.gain,
        "note": made.note,
        "calibration": against.calibration.id,
        "calibrated_at": against.calibration.taken_at,
        "torque_unit": unit.value,
        **_compared(result, unit),
        "chart": _chart(history(archive, one), against),
    }


def _compared(result: CheckResult, unit: TorqueUnit) -> dict[str, Any]:
    return {
        "reading": unit.from_nm(result.reading_nm),
        "reading_expanded": unit.from_nm(result.reading_expanded_nm),
        "reference": unit.from_nm(result.reference_nm),
        "reference_expanded": unit.from_nm(result.reference_expanded_nm),
        "difference": unit.from_nm(result.difference_nm),
        "difference_expanded": unit.from_nm(result.difference_expanded_nm),
        "difference_percent": 100.0 * result.deviation,
        "coverage": 0.95,
        "en": result.en,
        "agrees": result.agrees,
        "zero_moved": unit.from_nm(result.zero_moved_nm),
        "in_common": list(result.in_common),
        "cannot_tell": list(result.cannot_tell),
    }


def _chart(same_kind: Sequence[Checked], against: Candidate) -> dict[str, Any]:
    """The control chart in per cent of the reference, all checks by one calibration."""
    from anviltrace.calibration.check import deviation
    from anviltrace.calibration.control import control_chart

    line = against.fit().line
    percent = [100.0 * deviation(one, line) for one in same_kind]
    chart = control_chart(percent)
    limits = chart.limits
    return {
        "points": [
            {"taken_at": one.check.taken_at, "percent": value}
            for one, value in zip(same_kind, percent, strict=True)
        ],
        "earlier": chart.earlier,
        "mean_percent": limits and limits.mean,
        "lower_percent": limits and limits.lower,
        "upper_percent": limits and limits.upper,
        "range_mean_percent": limits and limits.range_mean,
        "range_upper_percent": limits and limits.range_upper,
        "tolerance_95_95_percent": limits and limits.holds,
        "signals": list(chart.signals),
        "cannot_tell": list(chart.cannot_tell),
    }


def _show(facts: dict[str, Any]) -> None:
    """Print a check for a person."""
    unit = facts["torque_unit"]
    hung = f"{', '.join(facts['masses'])} on {facts['arm']}"
    click.echo(f"\nCheck {facts['id'][:8]} of {facts['rig']}, {facts['direction']} torque: {hung}")
    click.echo(
        f"taken {readable_time(facts['taken_at'])} UTC at {facts['rate_hz']:g} samples/s, "
        f"gain {facts['gain']}"
    )
    click.echo(f"by calibration {facts['calibration'][:8]} of {readable_time(facts['calibrated_at'])} UTC")
    for name in ("reading", "reference", "difference"):
        expanded = facts[f"{name}_expanded"]
        click.echo(f"  {name:<10} {facts[name]:+9.2f} {unit}  ± {expanded:.2f} {unit} (95 %)")
    verdict = "agrees" if facts["agrees"] else "DOES NOT AGREE"
    click.echo(f"E_n {facts['en']:.2f}, difference over its uncertainty: {verdict}.")
    if not facts["agrees"]:
        click.echo(REMEDY)
    if facts["in_common"]:
        common = ", ".join(facts["in_common"])
        click.echo(f"In calibration and check alike, so this says nothing about them: {common}.")
    click.echo(f"Zero moved by {facts['zero_moved']:+.2f} {unit} from before to after.")
    for sentence in facts["cannot_tell"]:
        click.echo(sentence)
    _show_chart(facts["chart"])


def _show_chart(chart: dict[str, Any]) -> None:
    from rich.table import Table

    points = chart["points"][-_SHOWN:]
    click.echo("\nThe same weight on the same arm, by this calibration:")
    table = Table(box=None, padding=(0, 2, 0, 0))
    table.add_column("taken (UTC)")
    table.add_column("off by", justify="right")
    for point in points:
        table.add_row(readable_time(point["taken_at"]), f"{point['percent']:+.3f} %")
    print_table(table)
    if chart["mean_percent"] is not None:
        click.echo(f"Mean of the {chart['earlier']} before {chart['mean_percent']:+.3f} %, limits "
                   f"{chart['lower_percent']:+.3f} to {chart['upper_percent']:+.3f} %; moving range up to "
                   f"{chart['range_upper_percent']:.3f} %.")  # fmt: skip
        click.echo(f"95 % of checks of a sound rig lie within ±{chart['tolerance_95_95_percent']:.3f} % of "
                   f"that mean (tolerance interval, 95 % confidence, n = {chart['earlier']}).")  # fmt: skip
    for signal in chart["signals"]:
        click.echo(f"OUT OF CONTROL: {signal}.")
    for sentence in chart["cannot_tell"]:
        click.echo(f"{sentence[0].upper()}{sentence[1:]}.")
    click.echo("")
