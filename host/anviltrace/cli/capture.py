"""``anviltrace capture``: record the runs of a plan."""

from __future__ import annotations

import time
from contextlib import AbstractContextManager, nullcontext
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from anviltrace.cli.options import (
    archive_option,
    bench_option,
    finite,
    inventory_option,
    json_option,
    port_option,
    print_json,
    units_option,
    user_file,
)
from anviltrace.units import TorqueUnit

if TYPE_CHECKING:
    from collections.abc import Sequence

    from anviltrace.archive.archive import Archive
    from anviltrace.calibration.choose import Candidate
    from anviltrace.calibration.line import LineFit
    from anviltrace.calibration.stability import Gate
    from anviltrace.capture.benchfile import Bench
    from anviltrace.capture.bursts import BurstWish
    from anviltrace.capture.runset import Condition, RunSet, Verdict
    from anviltrace.cli.live import Scale
    from anviltrace.link.session import Session as Link
    from anviltrace.records import Run, Session, Settings, Shunt, ShuntReading


@click.command()
@click.argument("plan_file", type=user_file)
@bench_option
@click.option("--tool", "tool_name", required=True, help="Name of the tool in the bench file.")
@click.option("--supply", "supply_name", required=True, help="Name of the supply in the bench file.")
@click.option("--supply-state", default="", help="In your words, for instance: fresh, tired, 40 % left.")
@click.option("--fitting", "fitting_name", help="Name of the fitting in the bench file.")
@click.option("--operator", default="", help="Who drives the tool.")
@click.option("--yes", is_flag=True, help="Keep every run without asking.")
@click.option("--shunt", "shunt_name", metavar="NAME",
              help="Shunt in the weights file to lay on before and after the runs.")  # fmt: skip
@click.option(
    "--burst",
    "wants_burst",
    is_flag=True,
    help="Keep each run in the board's memory and send it afterwards: for rates the link cannot carry.",
)
@click.option(
    "--burst-ms",
    type=click.FloatRange(min=0.0, min_open=True),
    callback=finite,
    help="Length of a burst; else as long as the board's memory allows.",
)
@click.option(
    "--burst-before",
    type=click.FloatRange(0.0, 90.0),
    callback=finite,
    default=25.0,
    show_default=True,
    help="Percent of a burst that lie before the first blow.",
)
@click.option(
    "--burst-level",
    type=click.IntRange(1),
    help="Counts from the level at rest at which a burst triggers; else 10 % of the usual range of "
    "a strain-gauged shaft, or 8 times the noise.",
)
@inventory_option
@port_option
@archive_option
@units_option
@json_option
def capture(
    plan_file: Path,
    bench_file: Path,
    tool_name: str,
    supply_name: str,
    supply_state: str,
    fitting_name: str | None,
    operator: str,
    yes: bool,
    shunt_name: str | None,
    wants_burst: bool,
    burst_ms: float | None,
    burst_before: float,
    burst_level: int | None,
    inventory_file: Path,
    port_url: str,
    archive_path: Path,
    unit: TorqueUnit,
    as_json: bool,
) -> None:
    """Record the runs of PLAN_FILE into the archive.

    Leads through the repeats of the plan, with a zero reading before and after each. Times are counted in
    samples. Pull the trigger when told to, and let go when told to. Torque is shown where the archive has a
    calibration for this rig, rate and gain (`anviltrace calibration record`). After each run you keep or
    discard it; a discarded run keeps its raw data, with your reason. Ctrl-C ends the run and keeps what was
    received. With --shunt a reading of the shunt is taken before and after, to see whether wiring and gain
    are as they were when it was calibrated.

    With --burst the board keeps the samples round the first blow and sends them when it has them all. Pull
    the trigger when told to and let go when told to; how long a burst lasts at the rate of the plan is said
    before. Nothing is recorded behind its end, so what the joint retains at last is not known from it.

    \b
    Example, on the virtual rig, in the folder that `anviltrace demo` leaves:
      anviltrace capture tightening.toml --tool Ostrelby --supply "fresh pack" \\
          --port virtual://fishplate-held --yes
    """
    from anviltrace.calibration.inventory import read_inventory
    from anviltrace.capture.benchfile import read_bench
    from anviltrace.capture.plan import read_plan
    from anviltrace.capture.runset import Condition

    inventory = None if shunt_name is None else read_inventory(inventory_file)
    shunting = None if inventory is None else (inventory.shunt(shunt_name or ""), inventory.gate)
    plan, bench = read_plan(plan_file), read_bench(bench_file)
    tool = bench.tool(tool_name)
    condition = Condition(
        plan,
        tool,
        bench.supply(supply_name),
        supply_state,
        None if fitting_name is None else bench.fitting(fitting_name),
        bench.claims_of(tool),
    )
    burst = _burst_wish(wants_burst, burst_ms, burst_before, burst_level)
    done = record(condition, bench, port_url, archive_path, operator, unit, not yes, shunting, burst)
    print_json(done) if as_json else show(done, archive_path)


def _burst_wish(wanted: bool, ms: float | None, before: float, level: int | None) -> BurstWish | None:
    from anviltrace.capture.bursts import BurstWish

    if not wanted:
        if ms is not None or level is not None:
            raise click.UsageError("--burst-ms and --burst-level say how a burst is: give --burst as well")
        return None
    return BurstWish(None if ms is None else 1e-3 * ms, 1e-2 * before, level)


def record(
    condition: Condition,
    bench: Bench,
    port_url: str,
    archive_path: Path,
    operator: str,
    unit: TorqueUnit,
    ask: bool,
    shunting: tuple[Shunt, Gate] | None = None,
    burst: BurstWish | None = None,
) -> dict[str, Any]:
    """Record a set, between two readings of a shunt if wanted, and return what came of it as plain data."""
    from anviltrace.archive.archive import Archive
    from anviltrace.link.port import open_port
    from anviltrace.link.session import Session as Link

    with Archive.open(archive_path, create=True) as archive, Link(open_port(port_url)) as link:
        settings = link.configure(condition.plan.rate_hz, condition.plan.gain)
        _say_link(link, settings, burst, streams=burst is None or shunting is not None)
        session = open_session(archive, link, bench, settings, operator)
        try:
            with _shunt_around(archive, link, session, settings, shunting) as shunts:
                scale = find_scale(archive, bench.rig.id, settings, unit)
                done = record_condition(archive, link, session, scale, condition, ask, burst)
            say_overload(archive, bench.rig.id, settings, done.runs)
            if shunts.get("after") is not None:
                _say_shunt(archive, bench.rig.id, settings)
            return describe(done, archive, scale) | _describe_shunts(archive, shunts)
        finally:
            archive.end_session(session.id)


def _say_link(link: Link, settings: Settings, burst: BurstWish | None, streams: bool) -> None:
    """Refuse what the link cannot carry before anybody pulls a trigger; say how long a burst will be."""
    from anviltrace.link.burst import must_carry, tight

    rate_hz = settings.rate_hz
    if streams:
        must_carry(link.identity, rate_hz)
        if warning := tight(link.identity, rate_hz):
            click.echo(warning, err=True)
    if burst is not None:
        asked = burst.on_blow(link.identity, settings, 0.0)
        each = link.identity.block_samples
        samples, before = asked.blocks * each, asked.before_blocks * each
        click.echo(
            f"Bursts of {samples} samples: {1e3 * samples / rate_hz:.0f} ms at {rate_hz:g} Hz, at least "
            f"{1e3 * before / rate_hz:.0f} ms of them before the first blow; nothing is recorded behind.",
            err=True,
        )


def _shunt_around(
    archive: Archive, link: Link, session: Session, settings: Settings, shunting: tuple[Shunt, Gate] | None
) -> AbstractContextManager[dict[str, ShuntReading | None]]:
    """Readings of the shunt before and after what happens inside, if there is to be one."""
    from anviltrace.cli.shunttaker import ShuntTaker

    if shunting is None:
        return nullcontext({})
    return ShuntTaker(archive, link, session, settings, *shunting).around()


def _describe_shunts(archive: Archive, shunts: dict[str, ShuntReading | None]) -> dict[str, Any]:
    from anviltrace.capture.shuntreadings import shunted
    from anviltrace.cli.shuntwords import describe_shunt

    if not shunts:
        return {}
    return {
        "shunt": {
            name: reading and describe_shunt(archive, shunted(archive, reading))
            for name, reading in shunts.items()
        }
    }


def open_session(archive: Archive, link: Link, bench: Bench, settings: Settings, operator: str) -> Session:
    """Put rig, board, settings and a new session into the archive."""
    from anviltrace import __version__
    from anviltrace.records import Session, new_id, now_utc

    board = link.identity.as_record()
    session = Session(
        id=new_id(),
        rig_id=bench.rig.id,
        board_id=board.id,
        started_at=now_utc(),
        operator=operator,
        software_version=__version__,
        cable=bench.cable,
    )
    for record in (bench.rig, board, settings, session):
        archive.put(record)
    return session


def find_scale(archive: Archive, rig_id: str, settings: Settings, unit: TorqueUnit) -> Scale:
    """How readings are shown: in torque where a calibration holds; says so on stderr where none does."""
    from anviltrace.capture.doubts import quick_doubts
    from anviltrace.capture.lines import line_for
    from anviltrace.cli.live import Scale
    from anviltrace.records import now_utc

    found = [line_for(archive, sign, rig_id, settings) for sign in (1, -1)]
    for one in found:
        if isinstance(one, str):
            click.echo(f"No torque: {one}", err=True)
    for used in _in_use(archive, found):
        _say_doubts(used, quick_doubts(archive, used, now_utc()))
    if settings.mv_per_v_per_count is None:
        click.echo("Excitation not measured: readings without calibration are in mV, not mV/V.", err=True)
    return Scale(settings, [one.line for one in found if not isinstance(one, str)], unit)


def _say_shunt(archive: Archive, rig_id: str, settings: Settings) -> None:
    """Say on stderr when the reading after the runs moved against that of the calibration in use."""
    from anviltrace.capture.lines import line_for
    from anviltrace.capture.shuntreadings import move_since_calibration
    from anviltrace.records import now_utc

    for used in _in_use(archive, [line_for(archive, sign, rig_id, settings) for sign in (1, -1)]):
        _say_doubts(used, [move_since_calibration(archive, used.calibration.id, now_utc())])


def say_overload(archive: Archive, rig_id: str, settings: Settings, runs: Sequence[Run]) -> None:
    """Say on stderr when these runs went beyond what the rig is known to bear."""
    from anviltrace.capture.doubts import overload_in
    from anviltrace.capture.lines import line_for

    for used in _in_use(archive, [line_for(archive, sign, rig_id, settings) for sign in (1, -1)]):
        _say_doubts(used, [overload_in(archive, used, runs)])


def _in_use(archive: Archive, found: Sequence[LineFit | str]) -> list[Candidate]:
    from anviltrace.capture.lines import candidate
    from anviltrace.records import Calibration

    ids = [one.line.calibration_id for one in found if not isinstance(one, str)]
    return [candidate(archive, archive.get(Calibration, calibration_id)) for calibration_id in ids]


def _say_doubts(used: Candidate, doubts: Sequence[str]) -> None:
    for doubt in filter(None, doubts):
        click.echo(f"DOUBTFUL: calibration {used.calibration.id[:8]}: {doubt}", err=True)


def record_condition(
    archive: Archive,
    link: Link,
    session: Session,
    scale: Scale,
    condition: Condition,
    ask: bool,
    burst: BurstWish | None = None,
) -> RunSet:
    """Record one set, with the live display and the hand that fits the port."""
    from anviltrace.capture.recorder import Recorder
    from anviltrace.capture.runset import record_set
    from anviltrace.cli.hands import CAUTIONS, OperatorHand, PersonHand
    from anviltrace.cli.live import LiveDisplay

    operator = getattr(link.port, "operator", None)
    if operator is None:
        click.echo(CAUTIONS, err=True)
    with LiveDisplay(scale) as display:
        recorder = Recorder(link, archive, scale.settings, session.id, display.watch, burst)
        hand = PersonHand() if operator is None else OperatorHand(operator)
        rest = time.sleep if operator is None else operator.let_pass
        return record_set(recorder, archive, condition, hand, _ask_verdict if ask else _keep, rest)


def _keep(run: Run) -> Verdict:  # noqa: ARG001
    from anviltrace.capture.runset import Verdict

    return Verdict(True, "kept without asking")


def _ask_verdict(run: Run) -> Verdict:
    from anviltrace.capture.runset import Verdict

    click.echo(f"Run {run.id[:8]}: {run.samples} samples, {run.end_reason}", err=True)
    if click.confirm("Keep this run?", default=True, err=True):
        return Verdict(True)
    return Verdict(False, click.prompt("Why is it discarded", err=True))


def describe(done: RunSet, archive: Archive, scale: Scale) -> dict[str, Any]:
    """A set as plain data: units are in the names, or with the value."""
    return {
        "set": done.set_id,
        "zeros_counts": [zero.mean_counts for zero in done.zeros],
        "zero_moved": scale.text(done.zeros[-1].mean_counts, done.zeros[0].mean_counts),
        "runs": [describe_run(run, archive) for run in done.runs],
    }


def describe_run(run: Run, archive: Archive) -> dict[str, Any]:
    """A run as plain data: units are in the names."""
    rate_hz = run.rate_hz
    decided = archive.decisions(run.id)
    return {
        "id": run.id,
        "verdict": decided[-1].verdict if decided else None,
        "state": run.state.value,
        "end_reason": run.end_reason,
        "samples": run.samples,
        "samples_total": run.samples_total,
        "rate_hz": rate_hz,
        "onset_s": None if run.onset_index is None or not rate_hz else run.onset_index / rate_hz,
        "release_s": None if run.release_index is None or not rate_hz else run.release_index / rate_hz,
        "gaps": len(archive.gaps(run.id)),
        "complete": run.samples == run.samples_total,
        "recovered": any(notice.kind == "recovered" for notice in archive.notices(run.id)),
        "burst": any(notice.kind == "burst" for notice in archive.notices(run.id)),
        "saturated": run.saturated,
    }


def show(done: dict[str, Any], archive_path: Path) -> None:
    """Print a set for a person."""
    for number, run in enumerate(done["runs"], 1):
        missing = "every sample is there" if run["complete"] else f"{run['gaps']} gaps"
        onset = "no onset" if run["onset_s"] is None else f"onset {run['onset_s']:.3f} s"
        rate = "rate unknown" if run["rate_hz"] is None else f"{run['rate_hz']:.2f} S/s"
        judged = "  DISCARDED" if run["verdict"] == "discard" else ""
        click.echo(
            f"run {number}  {run['id'][:8]}  {run['samples']} samples  {rate}  {onset}  {missing}{judged}"
        )
    click.echo(f"zero moved by {done['zero_moved']} from first to last")
    click.echo(f"in {archive_path}; look at a run with: anviltrace archive show {done['runs'][0]['id'][:8]}")
