"""``anviltrace calibration shunt`` and ``shunts``: a resistor across an arm of the bridge, its history."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

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
)
from anviltrace.cli.shunttaker import ShuntTaker, choose_shunt
from anviltrace.cli.shuntwords import describe_shunt, show_shunt

if TYPE_CHECKING:
    from anviltrace.archive.archive import Archive
    from anviltrace.calibration.shunt import Shunted


@click.command()
@click.option("--with", "shunt_name", metavar="NAME",
              help="Shunt in the weights file; not needed where it describes one.")  # fmt: skip
@inventory_option
@bench_option
@plan_settings_option
@rate_option
@gain_option
@click.option("--operator", default="", help="Who lays the resistor on.")
@note_option
@port_option
@archive_option
@json_option
def shunt(
    shunt_name: str | None,
    inventory_file: Path,
    bench_file: Path,
    plan_file: Path | None,
    rate_hz: float | None,
    gain: int | None,
    operator: str,
    note: str,
    port_url: str,
    archive_path: Path,
    as_json: bool,
) -> None:
    """Lay a known resistor across one arm of the bridge.

    Are wiring and gain as they were? A reading without it, with it, without it again. The output in mV/V is
    held against that computed from the resistor, and against earlier readings with the same rate and gain. It
    says nothing about shaft, arm or weights, and never replaces them.

    \b
    In the weights file:
      [[shunt]]
      name = "100 kilohm"
      resistor_ohm = 100000
      resistor_within_percent = 0.1
      bridge_ohm = 350
      bridge_within_percent = 0.3

    \b
    Example, on the virtual rig, in the folder that `anviltrace demo` leaves:
      anviltrace calibration shunt --with "100 kilohm" --port virtual://deadweight-hx711
    """
    from anviltrace.archive.archive import Archive
    from anviltrace.calibration.inventory import read_inventory
    from anviltrace.capture.benchfile import read_bench
    from anviltrace.capture.plan import settings_wanted
    from anviltrace.capture.shuntreadings import shunted
    from anviltrace.cli.capture import open_session
    from anviltrace.link.port import open_port
    from anviltrace.link.session import Session as Link

    inventory, bench = read_inventory(inventory_file), read_bench(bench_file)
    chosen = choose_shunt(inventory, shunt_name, "--with")
    if chosen is None:
        raise click.UsageError(f"{inventory_file} describes no shunt: add [[shunt]], see --help")
    rate_hz, gain = settings_wanted(plan_file, rate_hz, gain)
    with Archive.open(archive_path, create=True) as archive, Link(open_port(port_url)) as link:
        settings = link.configure(rate_hz, gain)
        session = open_session(archive, link, bench, settings, operator)
        try:
            taker = ShuntTaker(archive, link, session, settings, chosen, inventory.gate)
            made = taker.take(note)
        finally:
            archive.end_session(session.id)
        facts = describe_shunt(archive, shunted(archive, made))
    print_json(facts) if as_json else show_shunt(facts)


@click.command()
@click.option("--discard", "discarded_id", metavar="ID", help="First leave this reading out, for a reason.")
@click.option("--take-back", "restored_id", metavar="ID", help="First compare this reading again.")
@click.option("--reason", default="", help="What was wrong with it, or why it is taken back.")
@click.option("--by", default="", help="Who decides.")
@archive_option
@json_option
def shunts(
    discarded_id: str | None, restored_id: str | None, reason: str, by: str, archive_path: Path, as_json: bool
) -> None:
    """Show the latest shunt readings, each with its control chart.

    One of each kind (rig, shunt, settings). They need no calibration: apart from `checks`, which hold weights
    against one. A reading whose resistor lay badly can be discarded: it stays on record with the reason, and
    is compared with nothing.

    \b
    Example:
      anviltrace calibration shunts
      anviltrace calibration shunts --discard 3f2a91c0 --reason "a clip had come off" --by "T. Ester"
    """
    from anviltrace.archive.archive import Archive

    decided = discarded_id or restored_id
    if (discarded_id and restored_id) or bool(decided) != bool(reason.strip()):
        raise click.UsageError("--discard or --take-back, one of them, goes with a --reason")
    with Archive.open(archive_path, read_only=decided is None) as archive:
        if decided is not None:
            _decide(archive, decided, "discard" if discarded_id else "keep", reason.strip(), by)
        found = [describe_shunt(archive, one) for one in _latest_of_each_kind(archive)]
    if as_json:
        print_json(found)
    elif not found:
        click.echo("No shunt reading yet: take one with `anviltrace calibration shunt`.", err=True)
    else:
        for facts in found:
            show_shunt(facts, cannot_tell=facts is found[-1])


def _latest_of_each_kind(archive: Archive) -> list[Shunted]:
    from anviltrace.capture.shuntreadings import kept_shunts

    latest: list[Shunted] = []
    for one in kept_shunts(archive):
        latest = [*(other for other in latest if other.why_another_kind(one)), one]
    return latest


def _decide(archive: Archive, beginning: str, verdict: str, reason: str, by: str) -> None:
    from anviltrace.capture.shuntreadings import find_shunt_reading
    from anviltrace.records import Decision, new_id

    reading = find_shunt_reading(archive, beginning)
    archive.put(Decision(new_id(), reading.shunt_run_id, verdict, reason, by=by))
    done = "left out" if verdict == "discard" else "compared again"
    click.echo(f"Shunt reading {reading.id[:8]} is {done}.", err=True)
