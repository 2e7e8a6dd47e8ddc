"""``anviltrace metrics --explain``: what metrics and flags are, from the tables that define them."""

from __future__ import annotations

from typing import Any

import click

from anviltrace.cli.options import print_json
from anviltrace.units import TorqueUnit

ALL = "*"
_WIDTH = 80


def print_explained(name: str, unit: TorqueUnit, as_json: bool, as_markdown: bool) -> None:
    """Print the entry of one metric or flag, or of all: short for a person, whole as data or Markdown."""
    from anviltrace.metrics.catalogue import CATALOGUE, metric
    from anviltrace.metrics.explained import markdown
    from anviltrace.metrics.flagtable import FLAGS

    if as_markdown:
        click.echo(markdown(), nl=False)
    elif name in FLAGS and name not in CATALOGUE:
        print_json(_flag_as_data(FLAGS[name])) if as_json else _print_flag(FLAGS[name])
    elif as_json:
        entries = list(CATALOGUE.values()) if name == ALL else [metric(name)]
        print_json([_entry_as_data(entry, unit) for entry in entries])
    elif name == ALL:
        _print_all(unit)
    else:
        _print_metric(metric(name), unit)


def _print_all(unit: TorqueUnit) -> None:
    from anviltrace.metrics.catalogue import CATALOGUE, Group
    from anviltrace.metrics.flagtable import FLAGS

    for group in Group:
        entries = [entry for entry in CATALOGUE.values() if entry.group is group]
        if entries:
            click.secho(f"\n{group.value.upper()}", bold=True)
        for entry in entries:
            click.secho(_heading(entry, unit), bold=True)
            _say(entry.definition)
    click.secho("\nFLAGS", bold=True)
    for flag in FLAGS.values():
        click.secho(f"{flag.name}: {flag.weight}", bold=True)
        _say(flag.raised)
    click.echo("\nMore on one of them: anviltrace metrics --explain NAME")


def _print_metric(entry: Any, unit: TorqueUnit) -> None:
    from anviltrace.metrics.explained import facts_of

    click.secho(_heading(entry, unit), bold=True)
    _say(entry.definition)
    for heading, text in facts_of(entry):
        _say(f"{heading}: {text}")


def _print_flag(flag: Any) -> None:
    click.secho(f"{flag.name}: {flag.weight}", bold=True)
    for text in (f"raised: {flag.raised}", f"means: {flag.means}", f"definition: {flag.source}"):
        _say(text)


def _heading(entry: Any, unit: TorqueUnit) -> str:
    shown = unit.shown(0.0, entry.unit)[1]
    return f"{entry.name}: {entry.label}" + ("" if shown == "1" else f", {shown}")


def _say(text: str) -> None:
    click.echo(click.wrap_text(text, _WIDTH, "  ", "    "))


def _flag_as_data(flag: Any) -> dict[str, str]:
    return {
        "name": flag.name,
        "weight": flag.weight.value,
        "raised": flag.raised,
        "means": flag.means,
        "source": flag.source.value,
    }


def _entry_as_data(entry: Any, unit: TorqueUnit) -> dict[str, Any]:
    return {
        "name": entry.name,
        "label": entry.label,
        "unit": unit.shown(0.0, entry.unit)[1],
        "group": entry.group.value,
        "definition": entry.definition,
        "computed": entry.computed,
        "uncertainty": entry.uncertainty,
        "needs": [need.value for need in entry.needs],
        "rigs": [rig.value for rig in entry.rigs],
        "only_while_tightening": entry.climbing,
        "unit_of_mark": None if entry.marked is None else entry.marked.value,
        "source": entry.source.value,
    }
