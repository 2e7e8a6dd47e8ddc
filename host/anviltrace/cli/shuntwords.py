"""A shunt reading as plain data, in a line, and as a person sees it."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

import click

from anviltrace.cli.console import print_table, print_words
from anviltrace.records import readable_time

if TYPE_CHECKING:
    from collections.abc import Sequence

    from anviltrace.archive.archive import Archive
    from anviltrace.calibration.shunt import Moved, Output, Shunted

_SHOWN = 10
"""Latest readings of one kind that are printed."""
MOVED_REMEDY = """Look at plugs, solder joints, excitation and gain; take it again; then check with a weight.
If the resistor lay badly: `anviltrace calibration shunts --discard ID --reason ...`."""
APART_REMEDY = "Another resistor or bridge than stated, long leads, trim resistors, or the converter's scale."


def describe_shunt(archive: Archive, one: Shunted) -> dict[str, Any]:
    """A shunt reading as plain data: ``_percent`` of the earlier reading, ``_expanded`` for 95 %.

    What needs a count in mV/V is None where nobody knows that.
    """
    from anviltrace.calibration.coverage import coverage_factor
    from anviltrace.calibration.shunt import work_out
    from anviltrace.capture.shuntreadings import history, moves
    from anviltrace.records import Rig

    result, made, shunt = work_out(one), one.reading, one.shunt
    last, first = moves(archive, one)
    return {
        "id": made.id,
        "taken_at": made.taken_at,
        "rig": archive.get(Rig, one.rig_id).name,
        "calibration": made.calibration_id,
        "session": made.session_id,
        "shunt": {
            "name": shunt.name,
            "resistor_ohm": shunt.resistor_ohm,
            "u_resistor_ohm": shunt.resistor_u_ohm,
            "bridge_ohm": shunt.bridge_ohm,
            "u_bridge_ohm": shunt.bridge_u_ohm,
        },
        "rate_hz": one.settings.rate_hz,
        "gain": one.settings.gain,
        "note": made.note,
        "net_counts": result.net_counts,
        "net_expanded_counts": coverage_factor(math.inf) * result.net_u_counts,
        "zero_moved_counts": result.zero_moved_counts,
        **_output("computed", result.computed),
        **_output("reading", result.read),
        **_output("difference", result.difference),
        "coverage": 0.95,
        "agrees": result.agrees,
        "since_last": _move(last),
        "since_first": _move(first),
        "chart": _chart(history(archive, one)),
        "cannot_tell": list(result.cannot_tell),
    }


def describe_taken_with(archive: Archive, calibration_id: str) -> list[dict[str, Any]]:
    """The shunt readings of a calibration in order of time, without the chart of all there are."""
    from anviltrace.capture.shuntreadings import taken_with

    found = [describe_shunt(archive, one) for one in taken_with(archive, calibration_id)]
    return [{name: value for name, value in facts.items() if name != "chart"} for facts in found]


def _output(name: str, output: Output | None) -> dict[str, float | None]:
    return {
        f"{name}_mv_per_v": None if output is None else output.mv_per_v,
        f"{name}_expanded_mv_per_v": None if output is None else output.expanded,
    }


def _move(move: Moved | None) -> dict[str, Any] | None:
    if move is None:
        return None
    return {
        "id": move.since_id,
        "taken_at": move.since,
        "percent": 100.0 * move.share,
        "expanded_percent": 100.0 * move.expanded,
        "limit_percent": 100.0 * move.limit,
        "other_way": move.turned,
        "holds": not move.beyond,
    }


def _chart(same_kind: Sequence[Shunted]) -> dict[str, Any]:
    """The control chart in per cent of the first reading of its kind."""
    from anviltrace.calibration.control import control_chart

    first = same_kind[0].net_counts
    percent = [100.0 * (one.net_counts / first - 1.0) for one in same_kind]
    chart = control_chart(percent)
    limits = chart.limits
    return {
        "points": [
            {"id": one.reading.id, "taken_at": one.reading.taken_at, "percent": value}
            for one, value in zip(same_kind, percent, strict=True)
        ],
        "earlier": chart.earlier,
        "mean_percent": limits and limits.mean,
        "lower_percent": limits and limits.lower,
        "upper_percent": limits and limits.upper,
        "range_upper_percent": limits and limits.range_upper,
        "signals": list(chart.signals),
        "cannot_tell": list(chart.cannot_tell),
    }


def in_one_line(facts: dict[str, Any]) -> str:
    """A reading in a line: what it is, beside what it should be, and how far it moved."""
    said = f"shunt {facts['shunt']['name']}: {_stated(facts, 'reading')}"
    if facts["agrees"] is not None:
        said += f", computed {_stated(facts, 'computed')}, {_verdict(facts)}"
    if facts["since_last"] is not None:
        said += f"; since {readable_time(facts['since_last']['taken_at'])}: {_moved(facts['since_last'])}"
    return said


def _stated(facts: dict[str, Any], name: str) -> str:
    from anviltrace.metrics.figures import value_with_uncertainty

    value = facts[f"{name}_mv_per_v"]
    if value is None:
        counts = value_with_uncertainty(facts["net_counts"], facts["net_expanded_counts"] or None)
        return f"{counts} counts"
    sign = "+" if name == "difference" and value >= 0.0 else ""
    return f"{sign}{value_with_uncertainty(value, facts[f'{name}_expanded_mv_per_v'])} mV/V"


def _verdict(facts: dict[str, Any]) -> str:
    return "agrees" if facts["agrees"] else "DOES NOT AGREE"


def _moved(move: dict[str, Any]) -> str:
    if move["other_way"]:
        return "IT WENT THE OTHER WAY: another arm of the bridge, or wires changed over"
    holds = "holds" if move["holds"] else "MOVED"
    return (
        f"{_percent(move['percent'])} (± {move['expanded_percent']:.3f} %, "
        f"limit {move['limit_percent']:.2f} %): {holds}"
    )


def show_shunt(facts: dict[str, Any], *, cannot_tell: bool = True) -> None:
    """Print a reading for a person, with what it cannot tell if wanted."""
    shunt = facts["shunt"]
    click.echo(f"\nShunt {shunt['name']} on {facts['rig']}: {shunt['resistor_ohm']:g} Ω across an arm of "
               f"{shunt['bridge_ohm']:g} Ω")  # fmt: skip
    click.echo(f"reading {facts['id'][:8]} taken {readable_time(facts['taken_at'])} UTC at "
               f"{facts['rate_hz']:g} samples/s, gain {facts['gain']}{_beside(facts)}")  # fmt: skip
    shown = ("reading", "computed", "difference") if facts["agrees"] is not None else ("reading", "computed")
    for name in shown:
        click.echo(f"  {name:<10} {_stated(facts, name)} (95 %)")
    if facts["agrees"] is not None:
        click.echo(f"Reading beside computed: {_verdict(facts)}.")
    if facts["agrees"] is False:
        click.echo(APART_REMEDY)
    for name, words in (("since_last", "the one before"), ("since_first", "the first")):
        if (move := facts[name]) is not None:
            click.echo(f"Since {words}, {readable_time(move['taken_at'])} UTC: {_moved(move)}.")
    if any(move is not None and not move["holds"] for move in (facts["since_last"], facts["since_first"])):
        click.echo(MOVED_REMEDY)
    click.echo(f"Zero moved by {facts['zero_moved_counts']:+.1f} counts from before to after.")
    _show_chart(facts["chart"])
    for sentence in facts["cannot_tell"] if cannot_tell else ():
        print_words(sentence)


def _beside(facts: dict[str, Any]) -> str:
    return f", with calibration {facts['calibration'][:8]}" if facts["calibration"] else ""


def _show_chart(chart: dict[str, Any]) -> None:
    from rich.table import Table

    click.echo("\nThe same shunt at the same rate and gain, beside the first reading:")
    table = Table(box=None, padding=(0, 2, 0, 0))
    table.add_column("reading")
    table.add_column("taken (UTC)")
    table.add_column("changed by", justify="right")
    for point in chart["points"][-_SHOWN:]:
        table.add_row(point["id"][:8], readable_time(point["taken_at"]), _percent(point["percent"]))
    print_table(table)
    if chart["mean_percent"] is not None:
        click.echo(
            f"Mean of the {chart['earlier']} before {_percent(chart['mean_percent'])}, limits by scatter "
            f"{_percent(chart['lower_percent'])} to {_percent(chart['upper_percent'])}; moving range up to "
            f"{chart['range_upper_percent']:.3f} %."
        )
    for signal in chart["signals"]:
        click.echo(f"OUT OF CONTROL: {signal}.")
    for sentence in chart["cannot_tell"]:
        click.echo(f"{sentence[0].upper()}{sentence[1:]}.")
    click.echo("")


def _percent(value: float) -> str:
    """With its sign to three decimals; what rounds to nothing is +0.000 %."""
    return f"{round(value, 3) + 0.0:+.3f} %"
