"""``anviltrace calibration record``: hang weights as told, in a short course or a full one; go on with it."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

import click

from anviltrace.cli.calibration_temperature import Thermometer, temperature_options
from anviltrace.cli.options import (
    archive_option,
    bench_option,
    finite,
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
from anviltrace.cli.shunttaker import ShuntTaker, shunt_beside, shunt_options, shunt_wanted
from anviltrace.records import Rotation
from anviltrace.units import TorqueUnit

if TYPE_CHECKING:
    from anviltrace.archive.archive import Archive
    from anviltrace.calibration.instructions import Instruction
    from anviltrace.calibration.inventory import Inventory
    from anviltrace.capture.task import Task
    from anviltrace.link.session import Session as Link
    from anviltrace.records import Arm, Calibration, Session, Settings, Shunt


@click.command()
@inventory_option
@bench_option
@click.option("--arm", "arm_name", help="Name of the arm in the weights file.")
@click.option("--direction", type=click.Choice([turn.value for turn in Rotation]),
              help="Where the weights turn the rig, seen from behind the tool.")  # fmt: skip
@click.option("--course", type=click.Choice(["short", "full"]), default="short", show_default=True,
              help="One mounting, or several with the arm turned on between them.")  # fmt: skip
@click.option("--second-arm", "second_arm_name", metavar="NAME",
              help="In a full course: one more series with this arm, of another length.")  # fmt: skip
@click.option("--resume", "resumed_id", is_flag=False, flag_value="", metavar="[ID]",
              help="Go on with a calibration that was stopped; without ID the newest such.")  # fmt: skip
@click.option("--meanwhile", type=click.Choice(["untouched", "unloaded", "remounted"]),
              help="With --resume: what became of the rig since the last reading; else asked.")  # fmt: skip
@plan_settings_option
@rate_option
@gain_option
@click.option("--linear-to", "linear_to_nm", type=click.FloatRange(min=0.0, min_open=True), callback=finite,
              metavar="N·m", help="Torque up to which its data sheet calls the rig linear.")  # fmt: skip
@temperature_options
@shunt_options
@click.option("--operator", default="", help="Who hangs the weights.")
@note_option
@port_option
@archive_option
@units_option
@json_option
def record(
    inventory_file: Path,
    bench_file: Path,
    arm_name: str | None,
    direction: str | None,
    course: str,
    second_arm_name: str | None,
    resumed_id: str | None,
    meanwhile: str | None,
    plan_file: Path | None,
    rate_hz: float | None,
    gain: int | None,
    linear_to_nm: float | None,
    thermometer: Thermometer,
    shunt_name: str | None,
    no_shunt: bool,
    operator: str,
    note: str,
    port_url: str,
    archive_path: Path,
    unit: TorqueUnit,
    as_json: bool,
) -> None:
    """Calibrate one direction.

    The short course: a preload, a zero, the loads rising, the loads falling, a zero. The full course: warm
    up, read the bare rig, three preloads, two series up, then up and down after each remounting; without it
    nobody knows what the next mounting changes. Tells what to hang and waits until the reading is steady.
    Every reading is kept at once; stopped by whatever it may be, --resume goes on. Where the weights file
    describes a shunt, it is laid on once before the first reading and once after the last.

    Weigh the weights and measure the arm: how well you know them is most of the uncertainty. Hang as much as
    the rig will see: torque above twice the highest load is withheld. Take the rate and gain that the runs
    will use. The hanger is a weight of its own, hung after the zero; or it stays on at the zero, and out of
    the weights file. The empty arm is always part of the zero.

    \b
    The weights file, in short (within_ are limits; u_ instead is a standard uncertainty):
      [site]
      latitude_deg = 52.1
      height_m = 160
      [[arm]]
      name = "long arm"
      length_m = 0.800
      within_m = 0.001
      [[mass]]
      name = "plate A"
      mass_kg = 10.03
      within_kg = 0.02

    \b
    Example, on the virtual rig, in the folder that `anviltrace demo` leaves:
      anviltrace calibration record --arm "long arm" --direction cw \\
          --plan tightening.toml --port virtual://fishplate-held
    """
    from anviltrace.archive.archive import Archive
    from anviltrace.calibration.inventory import read_inventory
    from anviltrace.calibration.ladder import check_ladder
    from anviltrace.capture.benchfile import read_bench
    from anviltrace.capture.lines import candidate, find_unfinished, line_for
    from anviltrace.capture.plan import settings_wanted
    from anviltrace.cli.calibration import describe
    from anviltrace.cli.calibration_printed import print_calibration
    from anviltrace.cli.capture import open_session
    from anviltrace.link.port import open_port
    from anviltrace.link.session import Session as Link
    from anviltrace.records import Settings

    inventory, bench = read_inventory(inventory_file), read_bench(bench_file)
    rate_hz, gain = settings_wanted(plan_file, rate_hz, gain)
    if resumed_id is None:
        wanted = _wanted(inventory, arm_name, second_arm_name, direction, course, meanwhile)
    elif arm_name or direction or second_arm_name:
        raise click.UsageError("--resume goes on with the arms and direction it began with: leave them out")
    check_ladder(inventory.ladder)
    shunt = shunt_wanted(inventory, shunt_name, no_shunt)
    with Archive.open(archive_path, create=resumed_id is None) as archive:
        stopped = None if resumed_id is None else find_unfinished(archive, resumed_id)
        if stopped is not None:
            begun_with = archive.get(Settings, stopped.settings_id)
            rate_hz, gain = rate_hz or begun_with.rate_hz, gain or begun_with.gain
        with Link(open_port(port_url)) as link:
            settings = link.configure(rate_hz, gain)
            session = open_session(archive, link, bench, settings, operator)
            try:
                if stopped is not None:
                    done = resume_one(archive, link, session, settings, inventory, stopped, meanwhile, unit,
                                      thermometer, shunt, not no_shunt)  # fmt: skip
                else:
                    arm, sign, second_arm = wanted
                    done = record_one(archive, link, session, settings, inventory, arm, sign, unit,
                                      linear_to_nm, note, course, second_arm, thermometer, shunt)  # fmt: skip
            finally:
                archive.end_session(session.id)
        facts = describe(archive, candidate(archive, done), unit)
        usable = line_for(archive, done.sign, bench.rig.id, settings)
    print_json(facts) if as_json else print_calibration(facts, steps=True)
    if isinstance(usable, str):
        click.echo(f"NOT USABLE YET: {usable}", err=True)


def _wanted(
    inventory: Inventory,
    arm_name: str | None,
    second_arm_name: str | None,
    direction: str | None,
    course: str,
    meanwhile: str | None,
) -> tuple[Arm, int, Arm | None]:
    """Arm, sign of torque and second arm of a new calibration, once the options go together."""
    if not arm_name or not direction:
        raise click.UsageError("a new calibration needs --arm and --direction")
    if meanwhile is not None:
        raise click.UsageError("--meanwhile says what happened before a --resume: leave it out")
    if second_arm_name is not None and course != "full":
        raise click.UsageError("--second-arm belongs to --course full: add that, or leave it out")
    second_arm = None if second_arm_name is None else inventory.arm(second_arm_name)
    return inventory.arm(arm_name), Rotation(direction).sign, second_arm


def record_one(
    archive: Archive,
    link: Link,
    session: Session,
    settings: Settings,
    inventory: Inventory,
    arm: Arm,
    sign: int,
    unit: TorqueUnit = TorqueUnit.NM,
    linear_to_nm: float | None = None,
    note: str = "",
    course: str = "short",
    second_arm: Arm | None = None,
    thermometer: Thermometer | None = None,
    shunt: Shunt | None = None,
) -> Calibration:
    """Record one calibration in an open session, with the hand that fits the port."""
    from anviltrace import __version__
    from anviltrace.calibration.procedure import outline_of
    from anviltrace.calibration.shunt import refuse_beyond
    from anviltrace.capture.calibrate import begin_calibration
    from anviltrace.capture.task import Task

    task = Task(
        session_id=session.id,
        settings=settings,
        inventory=inventory,
        arm=arm,
        sign=sign,
        linear_to_nm=linear_to_nm,
        software_version=__version__,
        note=note,
        outline=outline_of(inventory.ladder, course, inventory.manner.mountings),
    )
    if shunt is not None:
        refuse_beyond(shunt, settings)
    parts = begin_calibration(archive, task, second_arm)
    whole = parts[0][1]
    beside = shunt_beside(archive, link, session, settings, inventory, shunt, whole)
    with _temperatures(archive, link, session, whole, thermometer):
        for part, calibration in parts:
            _go_on(archive, link, part, calibration, unit, beside=beside)
    if beside is not None:
        beside.after()
    return whole


def resume_one(
    archive: Archive,
    link: Link,
    session: Session,
    settings: Settings,
    inventory: Inventory,
    stopped: Calibration,
    meanwhile: str | None,
    unit: TorqueUnit = TorqueUnit.NM,
    thermometer: Thermometer | None = None,
    shunt: Shunt | None = None,
    with_shunt: bool = True,
) -> Calibration:
    """Go on with a calibration in a new session, and with its second arm after it."""
    from anviltrace.capture.calibrate import resumed_task
    from anviltrace.capture.lines import candidates
    from anviltrace.capture.task import Task
    from anviltrace.records import Arm

    sides = [one for one in candidates(archive) if one.side_of == stopped.id and one.why_unfinished]
    beside = None
    if with_shunt:
        beside = shunt_beside(archive, link, session, settings, inventory, shunt, stopped)
    with _temperatures(archive, link, session, stopped, thermometer):
        for number, calibration in enumerate([stopped, *(one.calibration for one in sides)]):
            arm = archive.get(Arm, calibration.arm_id)
            task = Task(
                session_id=session.id, settings=settings, inventory=inventory, arm=arm, sign=calibration.sign
            )
            part = resumed_task(archive, calibration, task)
            _go_on(archive, link, part, calibration, unit, "remounted" if number else meanwhile, beside)
    if beside is not None:
        beside.after()
    return stopped


@contextmanager
def _temperatures(
    archive: Archive, link: Link, session: Session, calibration: Calibration, thermometer: Thermometer | None
) -> Iterator[None]:
    """Read the temperature before and after; not after a stop."""
    person = getattr(link.port, "operator", None) is None
    if thermometer is not None:
        thermometer.read_start(archive, session, calibration, person)
    yield
    if thermometer is not None:
        thermometer.read_end(archive, session, calibration, person)


def _go_on(
    archive: Archive,
    link: Link,
    task: Task,
    calibration: Calibration,
    unit: TorqueUnit,
    meanwhile: str | None = None,
    beside: ShuntTaker | None = None,
) -> None:
    """Take the readings that are missing; says how to go on later when it is stopped."""
    from anviltrace.calibration.instructions import Meanwhile
    from anviltrace.capture.calibrate import go_on
    from anviltrace.capture.lines import kept_steps
    from anviltrace.capture.recorder import Recorder
    from anviltrace.cli.live import LiveDisplay, Scale
    from anviltrace.cli.weights import CAUTIONS, OperatorWeights, PersonWeights

    operator = getattr(link.port, "operator", None)
    if operator is None:
        click.echo(CAUTIONS, err=True)
    before = Meanwhile.REMOUNTED
    if kept_steps(archive, calibration.id) and operator is None:
        before = Meanwhile(meanwhile or _ask_meanwhile())
    hand = PersonWeights(unit, may_redo=True) if operator is None else OperatorWeights(operator)
    try:
        with LiveDisplay(Scale(task.settings)) as display:
            recorder = Recorder(link, archive, task.settings, task.session_id, display.watch)
            first = None if beside is None else partial(beside.before, recorder)
            go_on(recorder, archive, task, calibration, hand, lambda step: _tell(step, unit), before, first)
    except BaseException:
        again = f"anviltrace calibration record --resume {calibration.id[:8]}"
        click.echo(f"Stopped; what was read is kept. Go on with: {again}", err=True)
        raise


def _ask_meanwhile() -> str:
    from anviltrace.calibration.instructions import Meanwhile

    click.echo(
        "What became of the rig since the last reading?\n"
        "untouched: supply on, arm on, the weights hang as they hung\n"
        "unloaded: the arm stayed on, but weights or supply were off: the series begins anew with a zero\n"
        "remounted: the arm was off: the series of this mounting begin anew",
        err=True,
    )
    return str(click.prompt("It was", type=click.Choice([one.value for one in Meanwhile]), err=True))


def _tell(step: Instruction, unit: TorqueUnit) -> None:
    """Say on stderr which reading comes, and what else happens."""
    from anviltrace.calibration.instructions import Drop, Read, Remount, Say, Void
    from anviltrace.cli.weights import names

    match step:
        case Read():
            torque = f"{unit.from_nm(step.torque_nm):.1f} {unit}"
            click.echo(f"reading {step.number} of {step.of}: {names(step.load.masses)}, {torque}", err=True)
        case Remount():
            click.echo(f"new mounting, arm turned to {step.position_deg:g}°", err=True)
        case Drop() | Void():
            click.echo(f"kept on record, out of the line: {step.reason}", err=True)
        case Say():
            click.echo(step.text, err=True)
