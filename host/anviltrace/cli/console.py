"""Tables on stdout: as wide as the terminal, and wide enough for all columns where there is none."""

from __future__ import annotations

import shutil
import sys
from collections.abc import Callable, Iterable, Sequence
from typing import TYPE_CHECKING

import click

if TYPE_CHECKING:
    from rich.console import Console
    from rich.table import Table

WIDTH_WITHOUT_TERMINAL = 200
"""Columns of what goes to a file or a pipe."""


def open_console(width_without_terminal: int | None = None) -> Console:
    """A console of rich on stdout; names are printed as they are, whatever brackets they hold."""
    from rich.console import Console

    width = None if sys.stdout.isatty() else width_without_terminal or WIDTH_WITHOUT_TERMINAL
    return Console(width=width, highlight=False, markup=False)


def print_table(table: Table) -> None:
    """Print a table of rich; where it is too wide, columns of :func:`add_words` take several lines."""
    from rich.cells import cell_len

    console = open_console()
    if _widest(console, table) > console.width:
        words = [column for column in table.columns if column.min_width]
        for column in words:
            column.max_width = column.min_width
        room = max(0, console.width - _widest(console, table))
        for column in words:
            longest = max(cell_len(str(text)) for text in (column.header, *column.cells))
            more = min(room, max(0, longest - (column.min_width or 0)))
            column.max_width = (column.min_width or 0) + more
            room -= more
    console.print(table)


def _widest(console: Console, table: Table) -> int:
    from rich.measure import Measurement

    return Measurement.get(console, console.options.update(width=10_000), table).maximum


def columns_that_fit(
    names: Sequence[str], table: Callable[[Sequence[str]], Table], *, folded: bool = False
) -> Sequence[str]:
    """As many of ``names``, from the first on, as ``table(names)`` has room for in the terminal.

    Folded: a table whose words take several lines still has room.
    """
    from rich.measure import Measurement

    console = open_console()
    for shown in range(len(names), 0, -1):
        wide = Measurement.get(console, console.options.update(width=10_000), table(names[:shown]))
        if (wide.minimum if folded else wide.maximum) <= console.width:
            return names[:shown]
    return ()


def add_words(table: Table, heading: str, texts: Iterable[str | None]) -> None:
    """Add a column of words: it may take several lines, but no word is cut."""
    words = [word for text in (heading, *texts) for word in (text or "").split()]
    table.add_column(heading, min_width=max(map(len, words), default=0))


def more_columns(count: int) -> str:
    """Says that the terminal was too narrow for all columns."""
    return f"{count} more column{'s' if count > 1 else ''} in a wider terminal."


def print_words(text: str, indent: str = "", further: str | None = None) -> None:
    """Print a sentence, wrapped to the terminal; in one line where there is none.

    ``further`` begins the lines after the first; else two spaces more than ``indent``.
    """
    if not sys.stdout.isatty():
        click.echo(f"{indent}{text}")
        return
    width = shutil.get_terminal_size().columns
    click.echo(click.wrap_text(text, width, indent, f"{indent}  " if further is None else further))
