"""The session that the demo plays on one virtual rig: calibrate, record every condition, pull the cable."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from anviltrace.records import turning
from anviltrace.units import TorqueUnit

if TYPE_CHECKING:
    from anviltrace.archive.archive import Archive
    from anviltrace.capture.benchfile import Bench
    from anviltrace.capture.recorder import Progress
    from anviltrace.cli.live import Scale
    from anviltrace.link.session import Session as Link
    from anviltrace.records import Session, Settings

ARM = "long arm"
FITTING = "30 mm socket"
CONDITIONS = (
    ("Ostrelby", "fresh pack", "fresh"),
    ("Ostrelby", "tired pack", "tired"),
    ("Ostrelby", "mains adapter", ""),
    ("Vennick short", "fresh pack", "fresh"),
    ("Quarrowdale heavy", "fresh pack", "fresh"),
)
PLANS = ("tightening.toml", "loosening.toml")
UNPLUG_AFTER_S = 1.0
"""When the demo pulls the cable of its last run, in seconds of signal after the signal to drive."""


def play(archive: Archive, folder: Path, port_url: str, unit: TorqueUnit) -> None:
    """Record the whole session into ``archive``, with the user files of ``folder``."""
    from anviltrace.capture.benchfile import read_bench
    from anviltrace.capture.plan import read_plan
    from anviltrace.cli.capture import find_scale, open_session
    from anviltrace.link.port import open_port
    from anviltrace.link.session import Session as Link

    bench = read_bench(folder / "bench.toml")
    first = read_plan(folder / PLANS[0])
    with Link(open_port(port_url)) as link:
        settings = link.configure(link.identity.fastest_hz, first.gain)
        session = open_session(archive, link, bench, settings, "virtual operator")
        _tap(archive, link, session, settings, bench)
        settings = link.configure(first.rate_hz, first.gain)
        archive.put(settings)
        _calibrate(archive, link, session, settings, folder, unit)
        scale = find_scale(archive, bench.rig.id, settings, unit)
        for plan_file in PLANS:
            for names in CONDITIONS:
                _record(archive, link, session, scale, bench, folder / plan_file, names)
        _record_unplugged(archive, link, session, scale, bench, folder / PLANS[0])
        archive.end_session(session.id)


def _calibrate(
    archive: Archive, link: Link, session: Session, settings: Settings, folder: Path, unit: TorqueUnit
) -> None:
    """Both directions, with the weights the workshop has."""
    from anviltrace.calibration.inventory import read_inventory
    from anviltrace.cli.calibration_record import record_one

    inventory = read_inventory(folder / "weights.toml")
    for sign in (1, -1):
        click.echo(f"\ncalibration, {turning(sign)}", err=True)
        record_one(archive, link, session, settings, inventory, inventory.arm(ARM), sign, unit)


def _tap(archive: Archive, link: Link, session: Session, settings: Settings, bench: Bench) -> None:
    """How the rig rings with the fitting of all runs."""
    from anviltrace.cli.tap import record_one

    click.echo("\ntap test", err=True)
    record_one(archive, link, settings, session.id, bench.fitting(FITTING))


def _record(
    archive: Archive,
    link: Link,
    session: Session,
    scale: Scale,
    bench: Bench,
    plan_file: Path,
    names: tuple[str, str, str],
) -> None:
    from anviltrace.capture.plan import read_plan
    from anviltrace.capture.runset import Condition
    from anviltrace.cli.capture import record_condition

    tool, supply, state = names
    plan = read_plan(plan_file)
    wrench = bench.tool(tool)
    condition = Condition(
        plan, wrench, bench.supply(supply), state, bench.fitting(FITTING), bench.claims_of(wrench)
    )
    click.echo(f"\n{plan.name}: {tool}, {supply}", err=True)
    record_condition(archive, link, session, scale, condition, ask=False)


def _record_unplugged(
    archive: Archive, link: Link, session: Session, scale: Scale, bench: Bench, plan_file: Path
) -> None:
    """Record a run whose cable is pulled: it is kept as interrupted, with everything received."""
    from anviltrace.capture.plan import read_plan
    from anviltrace.capture.recorder import Recorder
    from anviltrace.capture.runset import Condition, store_condition
    from anviltrace.cli.hands import OperatorHand
    from anviltrace.errors import UnpluggedError
    from anviltrace.records import RunKind

    tool, supply, state = CONDITIONS[0]
    plan = read_plan(plan_file)
    condition = Condition(plan, bench.tool(tool), bench.supply(supply), state, bench.fitting(FITTING))
    click.echo("\nthe first again, and the cable is pulled in mid-run", err=True)
    limit = (plan.before_s + UNPLUG_AFTER_S) * scale.settings.rate_hz

    def pull_cable(progress: Progress) -> None:
        if progress.kind is RunKind.MEASUREMENT and progress.samples > limit:
            link.port.unplug()

    store_condition(archive, condition)
    recorder = Recorder(link, archive, scale.settings, session.id, pull_cable)
    hand = OperatorHand(link.port.operator)
    hand.slacken()
    hand.seat(condition.tool, condition.supply)
    recorder.zero(plan.zero_s)
    try:
        recorder.measure(
            plan,
            hand,
            tool_id=condition.tool.id,
            supply_id=condition.supply.id,
            supply_state=state,
            fitting_id=None if condition.fitting is None else condition.fitting.id,
        )
    except UnpluggedError as error:
        click.echo(f"  {error}", err=True)
