"""The files that a command has written, told to whoever called it."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import click

from anviltrace.cli.options import print_json


def show_written(written: Sequence[Path], as_json: bool) -> None:
    """Print each file and its size on stdout, and which to open, or all of it as JSON."""
    if as_json:
        print_json([{"file": str(path), "size_bytes": path.stat().st_size} for path in written])
        return
    for path in written:
        click.echo(f"{path}  {_size(path.stat().st_size)}")
    click.echo(f"\nOpen {written[0]} in a browser.")


def _size(size_bytes: int) -> str:
    return f"{size_bytes / 1e6:.1f} MB" if size_bytes >= 1e6 else f"{max(size_bytes, 1000) / 1e3:.0f} kB"
