"""How ``calibration show`` and ``record`` print a calibration: what matters first, the rest on demand."""

from __future__ import annotations

from typing import Any

import click

from anviltrace.cli.calibration_history import sentences
from anviltrace.cli.console import print_table, print_words
from anviltrace.cli.shuntwords import in_one_line
from anviltrace.records import readable_time

_LARGEST_PARTS = 3
"""So many parts of the uncertainty are named among the essentials."""


def print_calibration(facts: dict[str, Any], *, steps: bool = False, everything: bool = False) -> None:
    """Print a calibration for a person: line, uncertainty, verdict, doubts, what it cannot tell.

    With ``steps`` also every reading; with ``everything`` also how it was taken, parts and checks.
    """
    _print_head(facts, everything)
    _print_line(facts)
    _print_uncertainty(facts)
    _print_largest_parts(facts)
    if "numbers" in facts:
        _print_verdict(facts["numbers"])
    if not everything and not facts["checks"]["intercept_agrees_with_zero"]:
        click.echo("DOUBTFUL: the intercept DOES NOT AGREE WITH ZERO (--all).")
    for sentence in sentences(facts):
        print_words(f"{sentence[0].upper()}{sentence[1:]}.")
    if steps or everything:
        click.echo("")
        _print_steps(facts)
    if everything:
        _print_contributions(facts)
        _print_checks(facts)
    click.echo("\nWhat it cannot tell:")
    for sentence in facts["cannot_tell"]:
        print_words(sentence, "  ")


def _print_head(facts: dict[str, Any], everything: bool) -> None:
    arm = facts["arm"]
    click.echo(f"\nCalibration {facts['id'][:8]} of {facts['rig']}, {facts['direction']} torque")
    click.echo(f"taken {readable_time(facts['taken_at'])} UTC at {facts['rate_hz']:g} samples/s, "
               f"gain {facts['gain']}")  # fmt: skip
    if everything:
        dof = arm["degrees_of_freedom"]
        known = "" if dof is None else f", {dof:g} degrees of freedom"
        click.echo(f"{arm['name']}, {arm['length_m']:.4f} m (u {1e3 * arm['u_m']:.2f} mm{known}); gravity "
                   f"{facts['gravity_m_per_s2']:.4f} m/s² ({facts['gravity_source']})")  # fmt: skip
    if everything or arm["empty"]["agrees"] is False:
        print_words(f"empty arm: {arm['empty']['told']}")
    for made in facts["authorised"]:
        stands = "the data are what was authorised" if made["unchanged"] else "CHANGED SINCE"
        click.echo(f"authorised by {made['by']}, {readable_time(made['at'])} UTC: {stands}")
    click.echo(f"temperature at the transducer: {facts['temperature']['text']}")
    for flag in facts["temperature"]["flags"]:
        click.echo(f"TEMPERATURE: {flag}")
    for taken in facts["shunts"]:
        print_words(f"{readable_time(taken['taken_at'])} UTC, {in_one_line(taken)}.")


def _print_line(facts: dict[str, Any]) -> None:
    unit, sensitivity = facts["torque_unit"], facts["sensitivity"]
    click.echo(f"\n{sensitivity['counts_per_torque_unit']:.2f} counts per {unit} "
               f"± {sensitivity['expanded_percent']:.2f} % (95 %)")  # fmt: skip
    if sensitivity["mv_per_v_per_torque_unit"] is not None:
        click.echo(f"{sensitivity['mv_per_v_per_torque_unit']:.6f} mV/V per {unit}")


def _print_largest_parts(facts: dict[str, Any]) -> None:
    largest = facts["contributions"][:_LARGEST_PARTS]
    parts = ", ".join(f"{part['source']} {part['share_percent']:.0f}\u00a0%" for part in largest)
    print_words(f"Most of the uncertainty at the highest load: {parts}.")


def _print_verdict(numbers: dict[str, Any]) -> None:
    """Of the last result, which has hysteresis in it where that was read: impacts rise and fall."""
    result = numbers["results"][-1]
    verdict = result["indicative_class"]
    said = verdict["why_none"] or f"indicative class {verdict['overall']}"
    print_words(f"Verdict ({result['case']}): {said}; {verdict['warning']}.")
    within = [
        f"{row['within_percent']:g} % "
        + ("nowhere" if row["torque"] is None else f"from {row['torque']:.1f} {numbers['torque_unit']}")
        for row in result["smallest_usable"]
    ]
    print_words(f"Uncertainty within {', '.join(within)}.")
    if (stands_out := numbers["stands_out"]) is not None:
        print_words(
            f"Reading {stands_out['number']} STANDS OUT (Grubbs, 5 %): if something was wrong with it, "
            "`anviltrace calibration discard`; it is kept until then."
        )


def _print_uncertainty(facts: dict[str, Any]) -> None:
    unit, reach = facts["torque_unit"], facts["range"]
    for row in facts["uncertainty"]:
        above = "  above the hung weights" if row["torque"] > reach["highest"] else ""
        click.echo(f"  at {row['torque']:7.1f} {unit}  ± {row['expanded']:.2f} {unit} "
                   f"({row['percent']:.2f} %){above}")  # fmt: skip
    click.echo(f"Torque above {reach['limit']:.1f} {unit} is withheld.\n")


def _print_steps(facts: dict[str, Any]) -> None:
    from rich.table import Table

    unit = facts["torque_unit"]
    table = Table(box=None, padding=(0, 2, 0, 0))
    table.add_column("", justify="right")
    table.add_column("branch")
    table.add_column("weights")
    for heading in ("kg", f"hung\n{unit}", f"u\n{unit}", "reading\ncounts", f"off the line\n{unit}"):
        table.add_column(heading, justify="right")
    for row in facts["steps"]:
        table.add_row(
            str(row["number"]),
            row["branch"],
            ", ".join(row["masses"]) or "–",
            f"{row['mass_kg']:.3f}",
            f"{row['reference']:.2f}",
            f"{row['u_reference']:.2f}",
            f"{row['net_counts']:.0f}",
            f"{row['residual']:+.2f}",
        )
    print_table(table)


def _print_contributions(facts: dict[str, Any]) -> None:
    click.echo(
        f"\nWhere the uncertainty at {facts['range']['highest']:.1f} {facts['torque_unit']} comes from:"
    )
    for part in facts["contributions"]:
        if part["share_percent"] >= 0.05:
            click.echo(f"  {part['share_percent']:5.1f} %  {part['source']} (u {part['u_percent']:.3f} %)")


def _print_checks(facts: dict[str, Any]) -> None:
    unit, checks = facts["torque_unit"], facts["checks"]
    verdict = "agrees with zero" if checks["intercept_agrees_with_zero"] else "DOES NOT AGREE WITH ZERO"
    click.echo(f"\nIntercept {checks['intercept']:+.2f} {unit} (u {checks['u_intercept']:.2f}): {verdict}.")
    if checks["hysteresis"] is not None:
        click.echo(f"Falling against rising readings: up to {checks['hysteresis']:.2f} {unit} apart.")
    click.echo(f"Zero moved by {checks['zero_return']:.2f} {unit} from before to after.")
