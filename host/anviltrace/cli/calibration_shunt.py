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
    """Lay a known resistor across one arm of the bridge: are wiring and gain as they were?

    A reading without it, with it, without it again. The output in mV/V is held against that computed from
    the resistor, and against earlier readings with the same rate and gain. It says nothing about shaft, arm
    or weights, and never replaces them.

    \b
    In the weights file:
      [[shunt]]
      name = "100 kilohm"
      resistor_ohm = 100000
      resistor_within_percent = 0.1
      bridge_ohm = 350
      bridge_within_percent = 0.3

    \b
    Example, on the virtual rig (its files are written by `anviltrace demo`):
      anviltrace calibration shunt --with "100 kilohm" --port virtual://deadweight-hx711
    """
    from anviltrace.archive.archive import Archive
    from anviltrace.calibration.inventory import read_inventory
    from anviltrace.capture.benchfile import read_bench
    from anviltrace.capture.plan import read_plan
    from anviltrace.capture.shuntreadings import shunted
    from anviltrace.cli.capture import open_session
    from anviltrace.link.port import open_port
    from anviltrace.link.session import Session as Link

    inventory, bench = read_inventory(inventory_file), read_bench(bench_file)
    chosen = choose_shunt(inventory, shunt_name, "--with")
    if chosen is None:
        raise click.UsageError(f"{inventory_file} describes no shunt: add [[shunt]], see --help")
    plan = None if plan_file is None else read_plan(plan_file)
    if plan is not None:
        rate_hz, gain = rate_hz or plan.rate_hz, gain or plan.gain
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
@archive_option
@json_option
def shunts(archive_path: Path, as_json: bool) -> None:
    """Show the latest shunt reading of each kind (rig, shunt, settings) with its control chart.

    They need no calibration: apart from `checks`, which hold weights against one.
    """
    from anviltrace.archive.archive import Archive

    with Archive.open(archive_path, read_only=True) as archive:
        found = [describe_shunt(archive, one) for one in _latest_of_each_kind(archive)]
    if as_json:
        print_json(found)
    elif not found:
        click.echo("No shunt reading yet: take one with `anviltrace calibration shunt`.", err=True)
    else:
        for facts in found:
            show_shunt(facts)


def _latest_of_each_kind(archive: Archive) -> list[Shunted]:
    from anviltrace.capture.shuntreadings import shunted
    from anviltrace.records import ShuntReading

    latest: list[Shunted] = []
    for made in archive.all(ShuntReading):
        one = shunted(archive, made)
        latest = [*(other for other in latest if other.why_another_kind(one)), one]
    return latest
