"""A check of a board as plain data, and as a person reads it in ten seconds."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from anviltrace.cli.console import print_table, print_words
from anviltrace.records import readable_time

if TYPE_CHECKING:
    from collections.abc import Sequence

    from anviltrace.proof.limits import CheckLimits
    from anviltrace.proof.lines import CheckLine
    from anviltrace.proof.session import Checked

_STYLES = {"pass": "green", "look": "black on yellow", "fail": "bold white on red", "not done": "dim"}


def describe_check(checked: Checked, limits: CheckLimits, pictures: Sequence[Path]) -> dict[str, Any]:
    """A check as plain data: units are in the names of ``data`` and ``limits``."""
    from dataclasses import asdict

    from anviltrace.proof.limits import REASONS
    from anviltrace.proof.lines import Verdict, count_of

    runs, sizes = checked.runs, checked.sizes
    return {
        "run": runs.still.id,
        "session": runs.still.session_id,
        "taken_at": runs.still.started_at,
        "converter": runs.converter,
        "rate_hz": runs.settings.rate_hz,
        "gain": runs.settings.gain,
        "uv_per_v_per_count": sizes.uv_per_v,
        "uv_per_v_from": sizes.uv_from,
        "nm_per_count": None if sizes.nm is None else abs(sizes.nm),
        "nm_from": sizes.nm_from,
        "counts": {verdict.value: count_of(checked.lines, verdict) for verdict in Verdict},
        "lines": [
            {
                "name": line.name,
                "verdict": line.verdict.value,
                "reading": line.reading,
                "limit": line.limit,
                "reason_of_limit": REASONS.get(line.name, ""),
                "advice": line.advice,
                "data": line.data,
            }
            for line in checked.lines
        ],
        "limits": asdict(limits),
        "pictures": [str(path) for path in pictures],
    }


def show_check(facts: dict[str, Any]) -> None:
    """Print the table, what to do, and what the sizes rest on."""
    click.echo(
        f"\nCheck {facts['run'][:8]} of {readable_time(facts['taken_at'])} UTC: {facts['converter']}, "
        f"{facts['rate_hz']:g} S/s, gain {facts['gain']}"
    )
    print_table(_table(facts["lines"]))
    told = [line for line in facts["lines"] if line["advice"]]
    if told:
        click.echo("\nWhy, and what to do:")
    for line in told:
        print_words(f"{line['name']}: {line['advice'].rstrip('.')}.", "  ")
    click.echo("")
    print_words(f"µV/V by {facts['uv_per_v_from']}; torque: {facts['nm_from']}.")
    for path in facts["pictures"]:
        click.echo(path)
    click.secho(_sum(facts["counts"]), bold=True)


def _table(lines: list[dict[str, Any]]) -> Any:
    from rich.table import Table
    from rich.text import Text

    table = Table(box=None, padding=(0, 2, 0, 0), pad_edge=False)
    table.add_column("")
    table.add_column("what", no_wrap=True)
    table.add_column("reading", ratio=3)
    table.add_column("limit", ratio=2)
    for line in lines:
        verdict = Text(f" {line['verdict'].upper()} ", _STYLES[line["verdict"]], no_wrap=True)
        table.add_row(verdict, line["name"], line["reading"] or "–", line["limit"])
    return table


def _sum(counts: dict[str, int]) -> str:
    parts = [f"{counts[name]} {name}" for name in ("pass", "look", "fail", "not done") if counts[name]]
    return ", ".join(parts)


def failed_words(lines: Sequence[CheckLine]) -> str:
    """Which lines failed; empty where none did."""
    from anviltrace.proof.lines import Verdict

    failed = [line.name for line in lines if line.verdict is Verdict.FAIL]
    if not failed:
        return ""
    return (
        f"the rig did not pass its check: {', '.join(failed)} of {len(lines)} lines; put that right before "
        "you calibrate, then check again"
    )
