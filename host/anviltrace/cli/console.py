"""Tables on stdout: as wide as the terminal, and wide enough for all columns where there is none."""

from __future__ import annotations

import shutil
import sys
from typing import TYPE_CHECKING

import click

if TYPE_CHECKING:
    from rich.console import Console
    from rich.table import Table

WIDTH_WITHOUT_TERMINAL = 200
"""Columns of what goes to a file or a pipe."""


def open_console(width_without_terminal: int = WIDTH_WITHOUT_TERMINAL) -> Console:
    """A console of rich on stdout; names are printed as they are, whatever brackets they hold."""
    from rich.console import Console

    width = None if sys.stdout.isatty() else width_without_terminal
    return Console(width=width, highlight=False, markup=False)


def print_table(table: Table) -> None:
    """Print a table of rich."""
    open_console().print(table)


def print_words(text: str, indent: str = "") -> None:
    """Print a sentence, wrapped to the terminal; in one line where there is none."""
    if not sys.stdout.isatty():
        click.echo(f"{indent}{text}")
        return
    width = shutil.get_terminal_size().columns
    click.echo(click.wrap_text(text, width, indent, f"{indent}  "))
