"""``anviltrace demo``: the whole job on the virtual rig, with ordinary user files.

The workshop of an invented narrow-gauge railway chooses a wrench for fishplate bolts. The board is
simulated; the script on it, the wire, the recorder, the archive and every number computed from it are the
ones a real rig uses.
"""

from __future__ import annotations

import shutil
from importlib import import_module, resources
from pathlib import Path
from threading import Thread
from typing import TYPE_CHECKING, Any

import click

from anviltrace.cli.console import print_table
from anviltrace.cli.options import json_option, print_json, units_option
from anviltrace.units import TorqueUnit

if TYPE_CHECKING:
    from anviltrace.compare.groups import Group
    from anviltrace.compare.summary import Summary
    from anviltrace.publish.material import Material

SCENARIO = "fishplate-fast"
ARCHIVE = "bench.anviltrace"
REPORT = "report"
TITLE = "A wrench for fishplate bolts"
FILES = ("bench.toml", "weights.toml", "tightening.toml", "loosening.toml")
HEADING_WIDTH = 15
SHOWN = ("retained_final", "peak_mean", "blow_rate")
"""What the demo's table shows of each condition."""


@click.command()
@click.argument("folder", type=click.Path(file_okay=False, path_type=Path), default=Path("demo"))
@click.option(
    "--seed", type=click.IntRange(0), default=1, show_default=True, help="Seed of the simulated noise."
)
@units_option
@json_option
def demo(folder: Path, seed: int, unit: TorqueUnit, as_json: bool) -> None:
    """Do the whole job on the virtual rig and leave its files in FOLDER (default: demo).

    Taps the rig to hear it ring, calibrates both directions with weights on an arm, records three wrenches
    tightening and loosening (one of them on a fresh pack, a tired pack and a mains adapter), pulls the cable
    in one more run, verifies the archive, and writes a report with tables and curves. No hardware is needed.
    The files are ordinary ones: change them and use them with the other commands.

    \b
    Example:
      anviltrace demo
      anviltrace demo another --units lbf-ft --seed 2
    """
    folder.mkdir(parents=True, exist_ok=True)
    _lay_out(folder)
    done, material = run_demo(folder, f"virtual://{SCENARIO}?seed={seed}", unit)
    print_json(done) if as_json else show(done, material, folder)


def run_demo(folder: Path, port_url: str, unit: TorqueUnit) -> tuple[dict[str, Any], Material]:
    """Record, verify, evaluate and report; returns what came of it as plain data, and the material."""
    from anviltrace.archive.archive import Archive
    from anviltrace.cli.demo.session import play

    loading = Thread(target=import_module, args=("anviltrace.publish.report",))
    loading.start()  # charts take two seconds to load, which the board works meanwhile
    with Archive.open(folder / ARCHIVE, create=True) as archive:
        play(archive, folder, port_url, unit)
        loading.join()
        from anviltrace.publish.collect import collect
        from anviltrace.publish.report import write_report

        click.echo("\nverifying the archive", err=True)
        findings = archive.verify()
        click.echo("evaluating the runs", err=True)
        material = collect(archive, TITLE, unit)
    click.echo("writing the report", err=True)
    written = write_report(material, folder / REPORT)
    runs = [result.context.run for result in material.results]
    done = {
        "archive": str(folder / ARCHIVE),
        "findings": [str(finding) for finding in findings],
        "runs": [{"id": run.id, "state": run.state.value, "samples": run.samples} for run in runs],
        "conditions": [
            _condition(material, group, summaries)
            for group, summaries in zip(material.compared, material.summaries, strict=True)
        ],
        "report": [str(path) for path in written],
    }
    return done, material


def _condition(material: Material, group: Group, summaries: tuple[Summary, ...]) -> dict[str, Any]:
    """One condition as plain data; every metric has its unit beside it."""
    shower = material.shower
    metrics = {
        found.name: {
            "mean": shower.number(found.name, found.spread.mean),
            "expanded": None if found.expanded is None else shower.number(found.name, found.expanded),
            "unit": shower.unit_of(found.name),
        }
        for found in summaries
        if found.name in SHOWN and found.spread is not None
    }
    return {"condition": group.label, "n": len(group.kept), "left_out": group.left_out, "metrics": metrics}


def show(done: dict[str, Any], material: Material, folder: Path) -> None:
    """Print what came of it for a person."""
    _print_conditions(material)
    click.echo("\nMeans of n runs, ± half the width of their 95 % interval (spread and calibration).")
    if done["findings"]:
        click.echo("DAMAGE FOUND:\n" + "\n".join(done["findings"]))
    else:
        samples = sum(run["samples"] for run in done["runs"])
        click.echo(f"Archive verified: {len(done['runs'])} runs, {samples} samples; all as recorded.")
    first = done["runs"][0]["id"][:8]
    click.echo(f"\nOpen {done['report'][0]} in a browser. In {folder}/ lie the archive and the files it was")
    click.echo("made with. Next, for instance:")
    click.echo(f"  anviltrace metrics {first} --archive {done['archive']}")
    click.echo(f"  anviltrace compare --archive {done['archive']}")
    click.echo(f"  anviltrace calibration list --archive {done['archive']}")


def _print_conditions(material: Material) -> None:
    """One table per plan, a row per tool and supply."""
    from textwrap import wrap

    from rich.table import Table

    from anviltrace.metrics.catalogue import metric

    shower = material.shower
    rows = list(zip(material.compared, material.summaries, strict=True))
    for plan in dict.fromkeys(group.condition.plan_name for group, _ in rows):
        table = Table(box=None, padding=(0, 2, 0, 0))
        table.add_column(plan, no_wrap=True)
        table.add_column("n", justify="right")
        for name in SHOWN:
            label = wrap(metric(name).label, HEADING_WIDTH)
            heading = "\n".join((*label, shower.unit_of(name)))
            table.add_column(heading, justify="right", vertical="bottom", no_wrap=True)
        for group, summaries in rows:
            if group.condition.plan_name == plan:
                by_name = {found.name: found for found in summaries if found.mark is None}
                numbers = [shower.mean(by_name[name]) if name in by_name else "–" for name in SHOWN]
                table.add_row(group.condition.short_label, str(len(group.kept)), *numbers)
        click.echo()
        print_table(table)


def _lay_out(folder: Path) -> None:
    """Copy the user files that are not there yet: a file that the user changed stays as it is."""
    here = resources.files(__package__)
    for name in FILES:
        if not (folder / name).exists():
            with resources.as_file(here / name) as source:
                shutil.copyfile(source, folder / name)
