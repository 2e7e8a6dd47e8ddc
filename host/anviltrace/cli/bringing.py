"""``anviltrace import``: take in a recording made elsewhere."""

from __future__ import annotations

import math
import sys
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from anviltrace.cli.options import (
    archive_option,
    bench_option,
    finite,
    json_option,
    note_option,
    print_json,
    user_file,
)

if TYPE_CHECKING:
    from collections.abc import Sequence

    from anviltrace.exchange.sidewish import SideWish
    from anviltrace.exchange.stated import Stated, Stretch
    from anviltrace.records import Run, SideChannel

_UNITS = {"nm": "N·m", "lbf-ft": "lbf·ft", "kgf-m": "kgf·m", "v": "V", "mv": "mV", "mv-per-v": "mV/V"}
TIME_UNITS_S = {"s": 1.0, "ms": 1e-3, "us": 1e-6}
_QUESTIONS = {
    "rate_hz": "Samples per second",
    "full_scale": "What the largest number (1.0 in a file of floats) stands for, in the unit of the values",
    "within_percent": "Torque of this recording is known to within ± how many percent",
}


def _to_stretch(
    ctx: click.Context,  # noqa: ARG001
    param: click.Parameter,  # noqa: ARG001
    values: tuple[str, ...],
) -> tuple[tuple[float, float], ...]:
    stretches = []
    for text in values:
        start, _, end = text.partition(":")
        try:
            stretches.append((float(start), float(end)))
        except ValueError:
            raise click.BadParameter(f"{text!r} is not FROM:TO in seconds, for instance 0:0.5") from None
    return tuple(stretches)


time_column_option = click.option(
    "--time-column", default="", help="Column of the times: its heading, or number from 1."
)
time_unit_option = click.option(
    "--time-unit",
    type=click.Choice(list(TIME_UNITS_S)),
    help="Of the times; else what their heading names, as in 'Time (ms)', or s.",
)
rate_option = click.option(
    "--rate",
    "rate_hz",
    type=click.FloatRange(min=0.0, min_open=True),
    callback=finite,
    help="Samples per second, where the file does not say so.",
)
sensor_option = click.option("--sensor", default="", help="What measured the side channels, in your words.")


def to_sides(
    ctx: click.Context,  # noqa: ARG001
    param: click.Parameter,  # noqa: ARG001
    values: tuple[str, ...],
) -> tuple[SideWish, ...]:
    """Callback that reads side channels as a person writes them."""
    from anviltrace.errors import PlanError
    from anviltrace.exchange.sidewish import parse_side

    try:
        return tuple(parse_side(text) for text in values)
    except PlanError as error:
        raise click.BadParameter(str(error)) from None


@click.command("import")
@click.argument("file", type=user_file)
@click.option(
    "--plan", "plan_file", type=user_file, required=True, help="How the run was carried out (TOML)."
)
@bench_option
@click.option("--unit", type=click.Choice(list(_UNITS)), help="Unit of the values; asked for if not given.")
@click.option("--column", default="", help="Column or channel of the values: its heading, or number from 1.")
@time_column_option
@time_unit_option
@rate_option
@click.option(
    "--full-scale",
    type=click.FloatRange(min=0.0, min_open=True),
    callback=finite,
    help="The most the recorder can show, in the unit of the values. WAV files take it for their largest "
    "number (1.0 in those of floats, so 1 leaves these as they are).",
)
@click.option(
    "--nm-per-unit",
    type=float,
    callback=finite,
    help="N·m for one unit (V, mV, mV/V); negative where the channel reads the other way round. For values "
    "in a unit of torque 1, or -1.",
)
@click.option(
    "--within",
    "within_percent",
    type=click.FloatRange(0.0, 100.0),
    callback=finite,
    help="How well torque is known: ± so many percent, from the recorder's calibration.",
)
@click.option(
    "--zero",
    "zeros",
    multiple=True,
    metavar="FROM:TO",
    callback=_to_stretch,
    help="Seconds in which the tool was off and the joint slack; once before the blows, once after.",
)
@click.option(
    "--side",
    "sides",
    multiple=True,
    metavar="QUANTITY=COLUMN:UNIT:WITHIN",
    callback=to_sides,
    help="Another column of FILE that goes with the run; see above. May be given several times.",
)
@sensor_option
@click.option("--tool", "tool_name", help="Name of the tool in the bench file.")
@click.option("--supply", "supply_name", help="Name of the supply in the bench file.")
@click.option("--supply-state", default="", help="In your words, for instance: fresh, tired, 40 % left.")
@click.option("--fitting", "fitting_name", help="Name of the fitting in the bench file.")
@click.option(
    "--recorded-at",
    type=click.DateTime(["%Y-%m-%d", "%Y-%m-%dT%H:%M", "%Y-%m-%dT%H:%M:%S"]),
    metavar="DATE[THH:MM[:SS]]",
    help="When, in UTC, as in 2026-05-04T08:15; else when the file was last written.",
)
@click.option("--operator", default="", help="Who drove the tool.")
@note_option
@click.option("--again", is_flag=True, help="Bring in a file that is in the archive already.")
@archive_option
@json_option
def bring(
    file: Path,
    plan_file: Path,
    bench_file: Path,
    unit: str | None,
    column: str,
    time_column: str,
    again: bool,
    archive_path: Path,
    as_json: bool,
    sides: tuple[SideWish, ...],
    sensor: str,
    **options: Any,
) -> None:
    """Take in FILE, a recording made elsewhere: text (CSV), WAV, Parquet, or an array of NumPy.

    It becomes a run of the kind "import", with the rig, tool and supply of the bench file and the duty of
    the plan. `anviltrace metrics` works on it as on any run; `compare` and `report` leave imports out. What
    the file does not say is asked for, or given by options; units in its headings, as in Time (ms), are
    believed, and what is given must agree with them. Torque needs to be known to some percent, and a zero to
    be vouched for: where there is none, what needs one is withheld.

    With --side further columns on the same time axis come along, each a QUANTITY: supply voltage, supply
    current, handle acceleration x (and y, z), handle rotation (its rate), trigger. UNIT is v, mv, a, ma,
    m/s2, g, rad/s, deg/s or on; a number before it is what one unit of the column stands for, for instance
    100a for a probe of 10 mV/A. WITHIN is how well it is known, ± a share and an amount in the unit: 1%,
    or 0.5%+0.02. A file of its own goes beside the run with `anviltrace import-side`.

    \b
    Example:
      anviltrace import scope.csv --plan tightening.toml --unit v \\
          --nm-per-unit 102.4 --within 1 --zero 0:0.4 --tool Ostrelby \\
          --side "supply voltage=CH2:v:0.5%+0.02" --side "supply current=CH3:100a:1%+0.2"
    """
    from anviltrace.archive.archive import Archive
    from anviltrace.exchange.bringin import bring_in
    from anviltrace.exchange.columns import Wanted
    from anviltrace.exchange.sidefile import SideReading, put_sides, read_side

    stated = _stated(plan_file, bench_file, unit or _ask_unit(), options)
    foreign, stated = _read(file, Wanted(column, time_column), stated)
    reading = SideReading(time_column, stated.time_unit_s, stated.rate_hz, stated.full_scale)
    beside = [read_side(file, wish, reading) for wish in sides]
    with Archive.open(archive_path, create=True) as archive:
        run = bring_in(archive, file, foreign, stated, again=again)
        zero_s = foreign.axis.start_s
        channels = put_sides(archive, file, run, beside, time_zero_s=zero_s, sensor=sensor)
        gaps = len(archive.gaps(run.id))
    low, high = (float(f"{value / stated.factor:.6g}") for value in foreign.extremes)
    if foreign.remark:
        click.echo(f"{file.name}: {foreign.remark}", err=True)
    if as_json:
        values = {"lowest": low, "highest": high, "unit": stated.unit.value}
        print_json(_as_data(run, gaps) | values | {"sides": sides_as_data(channels)})
    else:
        _show(run, gaps, file, f"{low:.4g} to {high:.4g} {stated.unit.value}")
        show_sides(channels)
        click.echo(f"Its numbers: anviltrace metrics {run.id[:8]}")


def _stated(plan_file: Path, bench_file: Path, unit: str, options: dict[str, Any]) -> Stated:
    from anviltrace.capture.benchfile import read_bench
    from anviltrace.capture.plan import read_plan
    from anviltrace.exchange.stated import ForeignUnit, Stated

    plan, bench = read_plan(plan_file), read_bench(bench_file)
    at, names = options["recorded_at"], ("tool", "supply", "fitting")
    things = {
        name: getattr(bench, name)(wish) for name in names if (wish := options[f"{name}_name"]) is not None
    }
    same = ("rate_hz", "full_scale", "nm_per_unit", "within_percent", "supply_state", "operator", "note")
    return Stated(
        unit=ForeignUnit(_UNITS[unit]),
        plan=plan,
        rig=bench.rig,
        time_unit_s=TIME_UNITS_S.get(options["time_unit"]),
        zeros=_stretches(options["zeros"]),
        recorded_at="" if at is None else at.isoformat(timespec="milliseconds") + "Z",
        **things,
        **{name: options[name] for name in same},
    )


def _stretches(zeros: tuple[tuple[float, float], ...]) -> tuple[Stretch, ...]:
    from anviltrace.exchange.stated import Stretch

    return tuple(Stretch(start_s, end_s) for start_s, end_s in zeros)


def _ask_unit() -> str:
    if not sys.stdin.isatty():
        raise click.UsageError(f"the unit of the values is not given: --unit, one of {', '.join(_UNITS)}")
    unit: str = click.prompt("Unit of the values", type=click.Choice(list(_UNITS)), err=True)
    return unit


def _read(file: Path, wanted: Any, stated: Stated) -> tuple[Any, Stated]:
    """The recording, and what was stated with what a person was asked for on the way."""
    from anviltrace.errors import LackingError
    from anviltrace.exchange.foreign import read_foreign

    while True:
        try:
            stated.nm_per_kept()
            return read_foreign(file, wanted, stated), stated
        except LackingError as error:
            if not sys.stdin.isatty():
                raise
            answers: dict[str, Any] = {error.what: _ask(_QUESTIONS[error.what])}
            stated = replace(stated, **answers)


def _ask(question: str) -> float:
    return float(click.prompt(question, value_proc=_above_zero, err=True))


def _above_zero(text: str) -> float:
    """Raises UsageError for anything else, upon which click asks again."""
    try:
        number = float(text)
    except ValueError:
        number = math.nan
    if not 0.0 < number < math.inf:
        raise click.UsageError(f"{text!r} is not a number above 0")
    return number


def _as_data(run: Run, gaps: int) -> dict[str, Any]:
    return {
        "id": run.id,
        "kind": run.kind.value,
        "samples": run.samples,
        "rate_hz": run.rate_hz,
        "onset_s": None if run.onset_index is None or not run.rate_hz else run.onset_index / run.rate_hz,
        "gaps": gaps,
        "saturated": run.saturated,
    }


def _show(run: Run, gaps: int, file: Path, values: str) -> None:
    rate_hz = run.rate_hz or 1.0
    gap = f", {gaps} gap{'s' if gaps > 1 else ''}" if gaps else ""
    clipped = f", {run.saturated} of them at the recorder's limit" if run.saturated else ""
    click.echo(
        f"{file.name} is run {run.id[:8]}: {run.samples} samples at {rate_hz:g} samples/s "
        f"({run.samples / rate_hz:.3f} s), {values}{gap}{clipped}."
    )


def sides_as_data(channels: Sequence[SideChannel]) -> list[dict[str, Any]]:
    """Side channels in plain data."""
    names = ("id", "quantity", "column", "unit", "samples", "rate_hz", "start_s")
    return [{name: getattr(channel, name) for name in names} for channel in channels]


def show_sides(channels: Sequence[SideChannel]) -> None:
    """One line for each side channel that was kept."""
    for channel in channels:
        click.echo(
            f"  {channel.quantity} in {channel.unit} from {channel.column or 'its values'}: "
            f"{channel.samples} samples at {channel.rate_hz:g} samples/s, from {channel.start_s:.3f} s on"
        )
