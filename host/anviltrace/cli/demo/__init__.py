"""``anviltrace demo``: a recording session on the virtual rig, with ordinary user files.

The workshop of an invented narrow-gauge railway tries wrenches on fishplate bolts. The board is simulated;
the script on it, the wire, the recorder and the archive are the ones a real rig uses.
"""

from __future__ import annotations

import shutil
from importlib import resources
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from anviltrace.cli.options import json_option, print_json

if TYPE_CHECKING:
    from anviltrace.archive.archive import Archive
    from anviltrace.capture.runset import Condition
    from anviltrace.records import Run, Settings, Zero

SCENARIO = "fishplate-held"
ARCHIVE = "bench.anviltrace"
FILES = ("bench.toml", "tightening.toml", "loosening.toml")
CONDITIONS = (
    ("tightening.toml", "Ostrelby", "fresh pack", "fresh"),
    ("tightening.toml", "Ostrelby", "tired pack", "tired"),
    ("loosening.toml", "Ostrelby", "mains adapter", ""),
)
UNPLUG_AFTER_S = 2.0
"""When the demo pulls the cable of its last run, in seconds of signal after the signal to drive."""


@click.command()
@click.argument("folder", type=click.Path(file_okay=False, path_type=Path), default=Path("demo"))
@click.option(
    "--seed", type=click.IntRange(0), default=1, show_default=True, help="Seed of the simulated noise."
)
@json_option
def demo(folder: Path, seed: int, as_json: bool) -> None:
    """Play a recording session on the virtual rig and leave its files in FOLDER (default: demo).

    Writes a bench file, two plans and an archive with zero readings, tightening runs on a fresh and on a
    tired pack, a loosening run on a mains adapter, and a run whose cable is pulled; then verifies it all.
    No hardware is needed. The files are ordinary ones: change them and use them with `anviltrace capture`.
    """
    folder.mkdir(parents=True, exist_ok=True)
    _lay_out(folder)
    port = f"virtual://{SCENARIO}?seed={seed}"
    done = play(folder, port)
    print_json(done) if as_json else show(done, folder)


def play(folder: Path, port_url: str) -> dict[str, Any]:
    """Record the session, verify the archive, and return what came of it as plain data."""
    from anviltrace.archive.archive import Archive

    with Archive.open(folder / ARCHIVE, create=True) as archive:
        rows = [row for names in CONDITIONS for row in _play_condition(archive, folder, port_url, names)]
        rows.append(_play_unplugged(archive, folder, port_url))
        click.echo("verifying", err=True)
        findings = archive.verify()
        return {
            "archive": str(folder / ARCHIVE),
            "runs": rows,
            "samples": sum(row["samples"] for row in rows),
            "findings": [str(finding) for finding in findings],
        }


def show(done: dict[str, Any], folder: Path) -> None:
    """Print the session for a person."""
    from rich.console import Console
    from rich.table import Table

    table = Table(box=None, padding=(0, 1, 0, 0))
    for heading in ("run", "plan", "supply"):
        table.add_column(heading)
    for heading in ("samples", "onset\ns", "greatest\nmV/V", "at rest\nmV/V"):
        table.add_column(heading, justify="right")
    table.add_column("state")
    for row in done["runs"]:
        table.add_row(*_cells(row))
    click.echo(f"\n{done['runs'][0]['tool']}, at a measured rate of {done['runs'][0]['rate_hz']:.2f} S/s\n")
    Console().print(table)
    click.echo()
    click.echo("Readings are less the zero before. Not calibrated, so no torque is stated.")
    if done["findings"]:
        click.echo("DAMAGE FOUND:\n" + "\n".join(done["findings"]))
    else:
        click.echo(
            f"Verified: {len(done['runs'])} runs, {done['samples']} samples; "
            "checksums, counts and seals agree."
        )
    first = done["runs"][0]["id"][:8]
    click.echo(f"\nIn {folder}/ lie the archive, a bench file and two plans. Next:")
    click.echo(f"  anviltrace archive show {first} --archive {done['archive']}")
    click.echo(f"  anviltrace archive verify --archive {done['archive']}")


def _cells(row: dict[str, Any]) -> list[str]:
    return [
        row["id"][:8],
        row["duty"],
        row["supply"],
        str(row["samples"]),
        "–" if row["onset_s"] is None else f"{row['onset_s']:.3f}",
        f"{row['greatest_mv_per_v']:+.4f}",
        "–" if row["rest_mv_per_v"] is None else f"{row['rest_mv_per_v']:+.4f}",
        "complete" if row["state"] == "finished" and not row["gaps"] else row["state"],
    ]


def _lay_out(folder: Path) -> None:
    """Copy the user files that are not there yet: a file that the user changed stays as it is."""
    here = resources.files(__package__)
    for name in FILES:
        if not (folder / name).exists():
            with resources.as_file(here / name) as source:
                shutil.copyfile(source, folder / name)


def _condition(folder: Path, names: tuple[str, str, str, str]) -> tuple[Condition, Any]:
    from anviltrace.capture.benchfile import read_bench
    from anviltrace.capture.plan import read_plan
    from anviltrace.capture.runset import Condition

    plan_file, tool, supply, state = names
    bench = read_bench(folder / "bench.toml")
    plan = read_plan(folder / plan_file)
    fitting = bench.fitting("30 mm socket")
    return Condition(plan, bench.tool(tool), bench.supply(supply), state, fitting), bench


def _play_condition(
    archive: Archive, folder: Path, port_url: str, names: tuple[str, str, str, str]
) -> list[dict[str, Any]]:
    """Record one condition on a virtual rig of its own."""
    from anviltrace.cli.capture import open_session, record_condition
    from anviltrace.link.port import open_port
    from anviltrace.link.session import Session as Link

    condition, bench = _condition(folder, names)
    click.echo(f"\n{condition.plan.name}: {condition.tool.name}, {condition.supply.name}", err=True)
    with Link(open_port(port_url)) as link:
        settings = link.configure(condition.plan.rate_hz, condition.plan.gain)
        session = open_session(archive, link, bench, settings, "virtual operator")
        done = record_condition(archive, link, session, settings, condition, ask=False)
        archive.end_session(session.id)
    return [
        _row(archive, run, condition, zero, settings)
        for run, zero in zip(done.runs, done.zeros, strict=False)
    ]


def _play_unplugged(archive: Archive, folder: Path, port_url: str) -> dict[str, Any]:
    """Record a run whose cable is pulled: it is kept as interrupted, with everything received."""
    from anviltrace.capture.recorder import Progress, Recorder
    from anviltrace.capture.runset import store_condition
    from anviltrace.cli.capture import open_session
    from anviltrace.cli.hands import OperatorHand
    from anviltrace.errors import UnpluggedError
    from anviltrace.link.port import open_port
    from anviltrace.link.session import Session as Link
    from anviltrace.records import Run, RunKind

    condition, bench = _condition(folder, CONDITIONS[0])
    click.echo("\nthe same again, and the cable is pulled in mid-run", err=True)
    with Link(open_port(port_url)) as link:
        settings = link.configure(condition.plan.rate_hz, condition.plan.gain)
        session = open_session(archive, link, bench, settings, "virtual operator")
        limit = (condition.plan.before_s + UNPLUG_AFTER_S) * settings.rate_hz

        def pull_cable(progress: Progress) -> None:
            if progress.kind is RunKind.MEASUREMENT and progress.samples > limit:
                link.port.unplug()

        recorder = Recorder(link, archive, settings, session.id, pull_cable)
        hand = OperatorHand(link.port.operator)
        store_condition(archive, condition)
        hand.seat(condition.tool, condition.supply)
        zero = recorder.zero(condition.plan.zero_s)
        try:
            recorder.measure(condition.plan, hand, tool_id=condition.tool.id, supply_id=condition.supply.id)
        except UnpluggedError as error:
            click.echo(f"  {error}", err=True)
        archive.end_session(session.id)
    run = next(run for run in archive.all(Run, session_id=session.id) if run.kind is RunKind.MEASUREMENT)
    return _row(archive, run, condition, zero, settings)


def _row(archive: Archive, run: Run, condition: Condition, zero: Zero, settings: Settings) -> dict[str, Any]:
    """A run in plain data, with the readings that need no calibration."""
    from anviltrace.cli.capture import describe_run

    net = archive.counts(run.id) - zero.mean_counts
    per_count = settings.mv_per_v_per_count or 0.0
    greatest = net[abs(net).argmax()]
    quiet = round(0.2 * settings.rate_hz)
    rest = net[-quiet:].mean() if run.release_index is not None else None
    return {
        **describe_run(run, archive),
        "plan": condition.plan.name,
        "duty": condition.plan.duty.value,
        "tool": condition.tool.name,
        "supply": condition.supply.name,
        "greatest_mv_per_v": float(greatest * per_count),
        "rest_mv_per_v": None if rest is None else float(rest * per_count),
    }
