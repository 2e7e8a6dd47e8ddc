"""``anviltrace calibration``: hang weights, get the line between counts and torque."""

from __future__ import annotations

import math
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from anviltrace.cli.calibration_check import check, checks
from anviltrace.cli.calibration_decisions import authorise, discard, remark
from anviltrace.cli.calibration_document import document
from anviltrace.cli.calibration_history import past_and_present, sentences
from anviltrace.cli.calibration_numbers import (
    PROFILE_NAMES,
    RULE_NAMES,
    budget_options,
    describe_numbers,
    print_numbers,
    rule_option,
)
from anviltrace.cli.calibration_printed import print_calibration
from anviltrace.cli.calibration_record import record
from anviltrace.cli.calibration_shunt import shunt, shunts
from anviltrace.cli.calibration_verify import verify
from anviltrace.cli.console import add_words, print_table
from anviltrace.cli.options import (
    archive_option,
    json_option,
    print_json,
    units_option,
)
from anviltrace.cli.shuntwords import describe_taken_with
from anviltrace.records import readable_time, turning
from anviltrace.units import TorqueUnit

if TYPE_CHECKING:
    from collections.abc import Sequence

    from anviltrace.archive.archive import Archive
    from anviltrace.calibration.choose import Candidate
    from anviltrace.calibration.line import LineFit
    from anviltrace.records import Settings


@click.group()
def calibration() -> None:
    """Calibrate the rig with dead weights on a lever arm, and look at calibrations.

    Clockwise and counter-clockwise torque are calibrated apart. A calibration holds for the rig, the rate
    and the gain it was made with; runs take the newest that fits, and without one no torque is stated.
    """


calibration.add_command(authorise)
calibration.add_command(check)
calibration.add_command(checks)
calibration.add_command(discard)
calibration.add_command(document)
calibration.add_command(record)
calibration.add_command(remark)
calibration.add_command(shunt)
calibration.add_command(shunts)
calibration.add_command(verify)


@calibration.command("list")
@archive_option
@units_option
@json_option
def list_calibrations(archive_path: Path, unit: TorqueUnit, as_json: bool) -> None:
    """List the calibrations, oldest first.

    \b
    Example:
      anviltrace calibration list --archive demo/bench.anviltrace
    """
    from anviltrace.archive.archive import Archive
    from anviltrace.capture.lines import candidates

    with Archive.open(archive_path, read_only=True) as archive:
        everything = candidates(archive)
        lines = [_summary(archive, everything, one, unit) for one in everything]
    if as_json:
        print_json(lines)
    elif lines:
        _print_list(lines)
    else:
        click.echo("No calibration yet: make one with `anviltrace calibration record`.", err=True)


@calibration.command()
@click.argument("calibration_id", metavar="ID")
@click.option("--steps", is_flag=True, help="Also every reading beside the line.")
@click.option("--all", "everything", is_flag=True,
              help="Also how it was taken, checks, quantities at each load, curves, budgets.")  # fmt: skip
@budget_options
@rule_option
@archive_option
@units_option
@json_option
def show(
    calibration_id: str,
    steps: bool,
    everything: bool,
    at: float | None,
    profile_name: str,
    rule_name: str,
    archive_path: Path,
    unit: TorqueUnit,
    as_json: bool,
) -> None:
    """Show what calibration ID says, and how sure it is.

    Line, uncertainty, verdict, doubts, and what it cannot tell. --steps adds the readings, --all everything:
    where the uncertainty comes from, what the readings show at each load, which curve they ask for, and
    budgets (as do --at, --profile and --rule, which shape those). The beginning of the id is enough.
    Everything is computed anew from the stored readings.

    \b
    Example:
      anviltrace calibration show 3f2a91c0 --steps
    """
    from anviltrace.archive.archive import Archive
    from anviltrace.capture.lines import candidate, find_calibration

    with Archive.open(archive_path, read_only=True) as archive:
        found = candidate(archive, find_calibration(archive, calibration_id))
        facts = describe(archive, found, unit)
    facts["numbers"] = describe_numbers(found, unit, at, profile_name, rule_name)
    if as_json:
        print_json(facts)
        return
    budgets = everything or at is not None or profile_name != PROFILE_NAMES[0] or rule_name != RULE_NAMES[0]
    print_calibration(facts, steps=steps, everything=everything)
    if budgets:
        print_numbers(facts["numbers"])
    else:
        click.echo("\nMore: --steps, --all; to give away: `anviltrace calibration document`")


def _summary(
    archive: Archive, everything: Sequence[Candidate], one: Candidate, unit: TorqueUnit
) -> dict[str, Any]:
    """What the list shows of a calibration, as plain data."""
    from anviltrace.errors import CalibrationError
    from anviltrace.records import Rig

    made = one.calibration
    facts: dict[str, Any] = {
        "id": made.id,
        "taken_at": made.taken_at,
        "direction": turning(made.sign),
        "rig": archive.get(Rig, one.rig_id).name,
        "arm": one.arm.name,
        "rate_hz": one.settings.rate_hz,
        "gain": one.settings.gain,
        "torque_unit": unit.value,
        "highest": None,
        "expanded_percent": None,
        "why_not": "",
        "in_use": False,
        "second_arm_of": one.side_of or None,
        "since_previous": None,
        "doubts": [],
    }
    try:
        line = one.fit().line
    except CalibrationError as error:
        return facts | {"why_not": str(error)}
    return (
        facts
        | {
            "highest": unit.from_nm(line.highest_nm),
            "expanded_percent": 100.0 * line.expanded_nm(line.highest_nm) / line.highest_nm,
        }
        | past_and_present(archive, everything, one)
    )


def describe(archive: Archive, one: Candidate, unit: TorqueUnit) -> dict[str, Any]:
    """A calibration as plain data. Torques are in ``torque_unit``, other units are in the names.

    Raises CalibrationError where no line can be drawn.
    """
    from anviltrace.capture.lines import candidates
    from anviltrace.records import Rig

    fit, made = one.fit(), one.calibration
    return {
        "id": made.id,
        "taken_at": made.taken_at,
        "rig": archive.get(Rig, one.rig_id).name,
        "direction": turning(made.sign),
        "arm": {
            "name": one.arm.name,
            "length_m": one.arm.length_m,
            "u_m": one.arm.u_m,
            "angle_deg": one.arm.angle_deg,
            "angle_within_deg": one.arm.angle_within_deg,
            "degrees_of_freedom": one.arm.dof,
            "empty": _empty_arm(one, fit, unit),
        },
        "gravity_m_per_s2": made.gravity_m_per_s2,
        "gravity_source": made.gravity_source,
        "rate_hz": one.settings.rate_hz,
        "gain": one.settings.gain,
        "software_version": made.software_version,
        "note": made.note,
        "temperature": _temperature(archive, one),
        "authorised": _authorised(archive, one),
        "shunts": describe_taken_with(archive, made.id),
        "torque_unit": unit.value,
        "sensitivity": _sensitivity(fit, one.settings, unit),
        "range": {
            "lowest": unit.from_nm(fit.line.lowest_nm),
            "highest": unit.from_nm(fit.line.highest_nm),
            "limit": unit.from_nm(fit.line.limit_nm),
        },
        "uncertainty": _uncertainty(fit, unit),
        "steps": _steps(fit, unit),
        "contributions": [
            {"source": part.source, "u_percent": 100.0 * part.u_relative, "share_percent": 100.0 * part.share}
            for part in fit.contributions
        ],
        "checks": _checks(fit, unit),
        "cannot_tell": list(fit.cannot_tell),
        **past_and_present(archive, candidates(archive), one),
    }


def _empty_arm(one: Candidate, fit: LineFit, unit: TorqueUnit) -> dict[str, Any]:
    """The empty arm's moment; None where it is not described, or the bare rig was not read."""
    from anviltrace.calibration.emptyarm import look_at_empty_arm
    from anviltrace.publish.arms import tell_empty_arm

    found = look_at_empty_arm(one.steps, one.calibration, one.arm, fit, one.bare)
    moments = {"computed": found.computed, "read": found.read, "difference": found.difference}
    return {
        "own_mass_kg": one.arm.own_mass_kg,
        "own_centre_m": None if one.arm.own_mass_kg is None else one.arm.own_centre_m,
        **{
            name: moment and {"moment": unit.from_nm(moment.nm), "expanded": unit.from_nm(moment.expanded_nm)}
            for name, moment in moments.items()
        },
        "agrees": found.agrees,
        "told": tell_empty_arm(found, unit),
    }


def _temperature(archive: Archive, one: Candidate) -> dict[str, Any]:
    """Temperatures at the transducer; None where they were not measured."""
    from anviltrace.capture.temperatures import temperatures_of

    found = temperatures_of(archive, one.calibration)
    return {
        "start_c": found.start and found.start.temperature_c,
        "end_c": found.end and found.end.temperature_c,
        "change_k": found.change_k,
        "flags": list(found.flags),
        "text": found.text,
    }


def _authorised(archive: Archive, one: Candidate) -> list[dict[str, Any]]:
    """Who stood up for it, the latest first, and whether its data still are what was authorised."""
    from anviltrace.records import Authorisation

    if not archive.all(Authorisation, calibration_id=one.calibration.id):
        return []
    from anviltrace.publish.authorising import still_holds
    from anviltrace.publish.document import collect_document

    document = collect_document(archive, one.calibration.id)
    return [
        {"by": made.by, "at": made.at, "note": made.note, "unchanged": still_holds(document, made)}
        for made in reversed(document.authorisations)
    ]


def _sensitivity(fit: LineFit, settings: Settings, unit: TorqueUnit) -> dict[str, Any]:
    from anviltrace.calibration.coverage import coverage_factor

    per_unit = fit.line.counts_per_nm / unit.from_nm(1.0)
    ratio = settings.mv_per_v_per_count
    return {
        "counts_per_torque_unit": per_unit,
        "mv_per_v_per_torque_unit": None if ratio is None else per_unit * ratio,
        "expanded_percent": 100.0 * coverage_factor(fit.line.dof) * fit.line.u_relative,
        "coverage": 0.95,
        "degrees_of_freedom": fit.line.dof if math.isfinite(fit.line.dof) else None,
    }


def _uncertainty(fit: LineFit, unit: TorqueUnit) -> list[dict[str, float]]:
    """Expanded uncertainty at a few torques, the last of them above the hung weights."""
    line = fit.line
    at_nm = sorted({line.lowest_nm, 0.5 * line.highest_nm, line.highest_nm, line.limit_nm})
    return [
        {
            "torque": unit.from_nm(torque_nm),
            "expanded": unit.from_nm(line.expanded_nm(torque_nm)),
            "percent": 100.0 * line.expanded_nm(torque_nm) / torque_nm,
        }
        for torque_nm in at_nm
    ]


def _steps(fit: LineFit, unit: TorqueUnit) -> list[dict[str, Any]]:
    return [
        {
            "number": row.number,
            "branch": row.branch,
            "masses": list(row.masses),
            "mass_kg": row.mass_kg,
            "reference": unit.from_nm(row.reference_nm),
            "u_reference": unit.from_nm(row.reference_u_nm),
            "net_counts": row.net_counts,
            "residual": unit.from_nm(row.residual_nm),
        }
        for row in fit.steps
    ]


def _checks(fit: LineFit, unit: TorqueUnit) -> dict[str, Any]:
    per_nm = abs(fit.line.counts_per_nm)
    return {
        "intercept": unit.from_nm(fit.intercept_counts / per_nm),
        "u_intercept": unit.from_nm(fit.intercept_u_counts / per_nm),
        "intercept_agrees_with_zero": fit.intercept_agrees,
        "hysteresis": None if fit.hysteresis_nm is None else unit.from_nm(fit.hysteresis_nm),
        "zero_return": unit.from_nm(fit.zero_return_nm),
        "scatter": unit.from_nm(fit.scatter_nm),
    }


def _print_list(lines: list[dict[str, Any]]) -> None:
    from rich.table import Table

    table = Table(box=None, padding=(0, 2, 0, 0))
    add_words(table, "calibration", [])
    add_words(table, "taken (UTC)", [readable_time(line["taken_at"]) for line in lines])
    for heading in ("direction", "rig", "arm"):
        add_words(table, heading, [line[heading] for line in lines])
    for heading in ("samples/s", "gain", f"hung to\n{lines[0]['torque_unit']}", "± there\n(95 %)"):
        table.add_column(heading, justify="right", no_wrap=True)
    for line in lines:
        valid = not line["why_not"]
        table.add_row(
            line["id"][:8],
            readable_time(line["taken_at"]),
            line["direction"],
            line["rig"],
            line["arm"],
            f"{line['rate_hz']:g}",
            str(line["gain"]),
            f"{line['highest']:.1f}" if valid else "–",
            f"{line['expanded_percent']:.2f} %" if valid else "not valid",
        )
    print_table(table)
    for line in lines:
        if line["why_not"]:
            click.echo(f"{line['id'][:8]}: {line['why_not']}")
        for sentence in sentences(line):
            click.echo(f"{line['id'][:8]}: {sentence}")
