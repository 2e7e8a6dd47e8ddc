"""``anviltrace board tap``: how the rig rings when its socket end is tapped goes on record."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from anviltrace.cli.options import (
    archive_option,
    bench_option,
    gain_option,
    json_option,
    note_option,
    port_option,
    print_json,
    rate_option,
)

if TYPE_CHECKING:
    from anviltrace.archive.archive import Archive
    from anviltrace.capture.benchfile import Bench
    from anviltrace.link.session import Session as Link
    from anviltrace.records import Fitting, RingDown, Settings
    from anviltrace.trace.ringdown import RungTaps

USUAL_TAPS = 5

CAUTIONS = """Tool off the rig, pack out of it. Eye protection. Nothing and nobody hangs on the rig.
A light hammer (100 to 200 g); tap the socket end, off its axis, so that it is turned and not only bent.
Tap lightly, once, when told to; then hands off until it has rung out."""


@click.command()
@click.option("--taps", "count", type=click.IntRange(3, 20), default=USUAL_TAPS, show_default=True,
              help="How many taps.")  # fmt: skip
@click.option(
    "--fitting", "fitting_name", help="What is fitted, by its name in the bench file; as in your runs."
)
@bench_option
@rate_option
@gain_option
@click.option("--operator", default="", help="Who taps.")
@note_option
@port_option
@archive_option
@json_option
def tap(
    count: int,
    fitting_name: str | None,
    bench_file: Path,
    rate_hz: float | None,
    gain: int | None,
    operator: str,
    note: str,
    port_url: str,
    archive_path: Path,
    as_json: bool,
) -> None:
    """Record how the rig rings: its natural frequency and damping.

    You tap the socket end a few times with a light hammer. A rig that rings too slowly for the blows it
    measures shows peaks too high and widths too long; with its ring-down on record, `anviltrace metrics`
    states by how much, or withholds them. Tap with the fitting on that your runs use and name it as they
    do: another fitting rings differently. Without --rate the board's fastest rate is taken.

    \b
    Example, on the virtual rig, in the folder that `anviltrace demo` leaves:
      anviltrace board tap --port virtual://fishplate-fast
    """
    from anviltrace.archive.archive import Archive
    from anviltrace.capture.benchfile import read_bench
    from anviltrace.capture.tap import doubts
    from anviltrace.cli.capture import open_session
    from anviltrace.link.port import open_port
    from anviltrace.link.session import Session as Link

    bench = read_bench(bench_file)
    fitting = None if fitting_name is None else bench.fitting(fitting_name)
    with Archive.open(archive_path, create=True) as archive, Link(open_port(port_url)) as link:
        settings = link.configure(rate_hz or link.identity.fastest_hz, gain)
        session = open_session(archive, link, bench, settings, operator)
        try:
            made, rung = record_one(archive, link, settings, session.id, fitting, count, note)
        finally:
            archive.end_session(session.id)
    facts = describe(made, rung, bench, fitting)
    for doubt in doubts(rung):
        click.echo(f"Doubtful: {doubt}", err=True)
    print_json(facts) if as_json else _show(facts)


def record_one(
    archive: Archive,
    link: Link,
    settings: Settings,
    session_id: str,
    fitting: Fitting | None,
    count: int = USUAL_TAPS,
    note: str = "",
) -> tuple[RingDown, RungTaps]:
    """Record a tap test in an open session, with the hand that fits the port."""
    from anviltrace import __version__
    from anviltrace.capture.recorder import Recorder
    from anviltrace.capture.tap import record_taps
    from anviltrace.cli.live import LiveDisplay, Scale

    operator = getattr(link.port, "operator", None)
    ask: Callable[[], None] = _told_by_the_display
    if operator is None:
        click.echo(CAUTIONS, err=True)
        click.prompt(
            "Hammer at hand, rig still, then press Enter",
            default="", show_default=False, prompt_suffix=". ", err=True,
        )  # fmt: skip
    else:
        ask = operator.tap
    with LiveDisplay(Scale(settings)) as display:
        recorder = Recorder(link, archive, settings, session_id, display.watch)
        return record_taps(recorder, archive, settings, count, ask, fitting, note, __version__)


def _told_by_the_display() -> None:
    """A person is told to tap by the live display."""


def describe(made: RingDown, rung: RungTaps, bench: Bench, fitting: Fitting | None) -> dict[str, Any]:
    """A ring-down as plain data: units are in the names."""
    from anviltrace.capture.tap import doubts

    return {
        "id": made.id,
        "run": made.run_id,
        "rig": bench.rig.name,
        "fitting": None if fitting is None else fitting.name,
        "taken_at": made.taken_at,
        "natural_hz": made.natural_hz,
        "natural_u_hz": made.natural_u_hz,
        "damping_ratio": made.damping_ratio,
        "damping_u": made.damping_u,
        "damping_ratio_by_decrement": made.decrement_ratio,
        "taps": [
            {"natural_hz": one.natural_hz, "damping_ratio": one.damping_ratio, "swings": one.swings}
            for one in rung.taps
        ],
        "doubts": doubts(rung),
        "note": made.note,
    }


def _show(facts: dict[str, Any]) -> None:
    from anviltrace.metrics.figures import value_with_uncertainty

    natural = value_with_uncertainty(facts["natural_hz"], 2.0 * facts["natural_u_hz"])
    damping = value_with_uncertainty(100.0 * facts["damping_ratio"], 200.0 * facts["damping_u"])
    fitted = f", {facts['fitting']}" if facts["fitting"] else ", no fitting named"
    click.echo(f"ring-down          {facts['id'][:8]}, {facts['rig']}{fitted}")
    click.echo(f"natural frequency  {natural} Hz")
    click.echo(
        f"damping            {damping} % of critical (by logarithmic decrement "
        f"{100.0 * facts['damping_ratio_by_decrement']:.3g} %)"
    )
    click.echo(f"taps               {len(facts['taps'])}; after ± twice the standard uncertainty")
