"""Options that several commands share, spelled once."""

from __future__ import annotations

import json
import math
from pathlib import Path
from typing import Any

import click

from anviltrace.units import TorqueUnit

archive_option = click.option(
    "--archive",
    "archive_path",
    type=click.Path(dir_okay=False, path_type=Path),
    default=Path("bench.anviltrace"),
    envvar="ANVILTRACE_ARCHIVE",
    show_default=True,
    show_envvar=True,
    help="The archive file.",
)

port_option = click.option(
    "--port",
    "port_url",
    required=True,
    envvar="ANVILTRACE_PORT",
    show_envvar=True,
    help="Serial port of the board (/dev/ttyACM0), any pyserial URL, or virtual://SCENARIO.",
)

_UNIT_NAMES = {"nm": TorqueUnit.NM, "lbf-ft": TorqueUnit.LBF_FT}


def _to_unit(ctx: click.Context, param: click.Parameter, value: str) -> TorqueUnit:  # noqa: ARG001
    return _UNIT_NAMES[value]


units_option = click.option(
    "--units",
    "unit",
    type=click.Choice(list(_UNIT_NAMES)),
    default="nm",
    envvar="ANVILTRACE_UNITS",
    show_default=True,
    show_envvar=True,
    callback=_to_unit,
    help="Unit of torque that is shown.",
)
"""Hands the command a :class:`TorqueUnit` called ``unit``."""


def finite(ctx: click.Context, param: click.Parameter, value: float | None) -> float | None:  # noqa: ARG001
    """Callback of options that take a number: ranges of click let NaN pass."""
    if value is not None and not math.isfinite(value):
        raise click.BadParameter(f"{value} is not a finite number")
    return value


def all_finite(ctx: click.Context, param: click.Parameter, values: tuple[float, ...]) -> tuple[float, ...]:
    """Callback of options that take a number and may be repeated."""
    for value in values:
        finite(ctx, param, value)
    return values


json_option = click.option("--json", "as_json", is_flag=True, help="Print data as JSON on stdout.")


user_file = click.Path(dir_okay=False, path_type=Path)
"""A file that the user wrote."""

bench_option = click.option(
    "--bench",
    "bench_file",
    type=user_file,
    default=Path("bench.toml"),
    show_default=True,
    help="Describes the rig, and what is tested on it.",
)

inventory_option = click.option(
    "--inventory",
    "inventory_file",
    type=user_file,
    default=Path("weights.toml"),
    show_default=True,
    help="Describes the site, the arms and the weights.",
)

plan_settings_option = click.option(
    "--plan",
    "plan_file",
    type=user_file,
    help="Take rate and gain from this plan, so that the readings fit its runs.",
)

rate_option = click.option(
    "--rate",
    "rate_hz",
    type=click.FloatRange(min=0.0, min_open=True),
    callback=finite,
    help="Samples per second; else the rig's own setting.",
)

gain_option = click.option(
    "--gain", type=click.IntRange(1), help="Gain of the converter; else the rig's own setting."
)

FILTER_NAMES = tuple(f"CFC{cfc}{suffix}" for suffix in ("", "-ISO") for cfc in (60, 180, 600, 1000))

filter_option = click.option(
    "--filter",
    "filter_name",
    type=click.Choice(FILTER_NAMES, case_sensitive=False),
    callback=lambda ctx, param, value: value or "",  # noqa: ARG005
    help="Read peaks, widths and rises behind this filter (SAE J211-1; -iso: ISO 6487); else none is used.",
)
"""Hands the command the name of a filter, "" for none."""

note_option = click.option("--note", default="", help="Anything worth keeping with it.")


def print_json(data: Any) -> None:
    """Print ``data`` as JSON; a NaN or infinity is an error, since JSON has none."""
    click.echo(json.dumps(data, indent=2, ensure_ascii=False, allow_nan=False))
