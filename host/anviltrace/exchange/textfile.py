"""Columns of numbers in a text file: comma, semicolon, tab or blanks between them, whatever stands above.

Oscilloscopes and loggers put lines of their own above the numbers. The numbers begin at the first line that
holds nothing else and is followed by another such line; the line above it, if it has as many cells, holds
the headings. With semicolons or tabs between them numbers may have a decimal comma.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from anviltrace.errors import PlanError
from anviltrace.exchange.columns import Columns, Numbers, Wanted, choose_columns

_SEPARATORS = (None, ",", ";", "\t")
_LOOKED_AT = 200
"""Lines from the top among which the numbers must begin."""


@dataclass(frozen=True, slots=True)
class Layout:
    """How a text file is laid out: ``separator`` None stands for blanks."""

    skip: int
    separator: str | None
    decimal_comma: bool
    headings: tuple[str, ...]


def read_text(path: Path, wanted: Wanted) -> Columns:
    """The columns wanted of a text file.

    Raises PlanError when no line of numbers begins near the top, a column is not there, or a cell below is
    not a number.
    """
    layout = find_layout(path)
    value, time = choose_columns(path, layout.headings, wanted)
    used = [value] if time is None else [value, time]
    table = _numbers(path, layout, used)
    return Columns(
        values=table[:, 0],
        times=None if time is None else table[:, 1],
        channel=layout.headings[value],
        clock="" if time is None else layout.headings[time],
    )


def find_layout(path: Path) -> Layout:
    """Where the numbers begin, and what stands between them."""
    with path.open(encoding="utf-8-sig", errors="replace") as file:
        head = [line.rstrip("\r\n") for line in itertools.islice(file, _LOOKED_AT)]
    for skip, line in enumerate(head):
        following = head[skip + 1] if skip + 1 < len(head) else line
        separator = max(_SEPARATORS, key=lambda one: _count_numbers(line, one))
        count = _count_numbers(line, separator)
        if count and count == _count_numbers(following, separator):
            above = _cells(head[skip - 1], separator) if skip else []
            numbered = [f"column {number}" for number in range(1, count + 1)]
            headings = above if len(above) == count else numbered
            return Layout(skip, separator, separator in (";", "\t") and "," in line, tuple(headings))
    raise PlanError(
        f"{path}: none of the first {len(head)} lines holds numbers only, separated by commas, semicolons, "
        "tabs or blanks: export it as CSV with one row for each sample"
    )


def _cells(line: str, separator: str | None) -> list[str]:
    cells = [cell.strip().strip('"') for cell in line.split(separator)]
    return cells[:-1] if len(cells) > 1 and not cells[-1] else cells


def _count_numbers(line: str, separator: str | None) -> int:
    """How many numbers a line holds, 0 where it holds anything else."""
    cells = _cells(line, separator)
    if separator in (";", "\t") and len(cells) < 2:
        return 0  # one cell with a decimal comma is two with a comma between them
    return len(cells) if all(_is_number(cell, separator) for cell in cells) else 0


def _is_number(cell: str, separator: str | None) -> bool:
    try:
        float(cell.replace(",", ".") if separator in (";", "\t") else cell)
    except ValueError:
        return False
    return True


def _numbers(path: Path, layout: Layout, used: list[int]) -> Numbers:
    with path.open(encoding="utf-8-sig", errors="replace") as file:
        rows: Iterator[str] = itertools.islice(file, layout.skip, None)
        lines = (row.replace(",", ".") for row in rows) if layout.decimal_comma else rows
        try:
            return np.loadtxt(
                lines, delimiter=layout.separator, usecols=used, ndmin=2, comments=None, quotechar='"'
            )
        except ValueError as error:
            raise PlanError(
                f"{path}, below line {layout.skip} (rows count from there): {error}; mend that row"
            ) from error
