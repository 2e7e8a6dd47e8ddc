"""Tables on stdout: as wide as the terminal, and wide enough for all columns where there is none."""

from __future__ import annotations

import sys
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from rich.table import Table

WIDTH_WITHOUT_TERMINAL = 200
"""Columns of a table that goes to a file or a pipe."""


def print_table(table: Table) -> None:
    """Print a table of rich."""
    from rich.console import Console

    Console(width=None if sys.stdout.isatty() else WIDTH_WITHOUT_TERMINAL, highlight=False).print(table)
