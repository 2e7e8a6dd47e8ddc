"""Options that several commands share, spelled once."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import click

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

json_option = click.option("--json", "as_json", is_flag=True, help="Print data as JSON on stdout.")


def print_json(data: Any) -> None:
    """Print ``data`` as JSON; a NaN or infinity is an error, since JSON has none."""
    click.echo(json.dumps(data, indent=2, ensure_ascii=False, allow_nan=False))
