"""Columns of numbers in a text file: comma, semicolon, tab or blanks between them, whatever stands above.

Oscilloscopes and loggers put lines of their own above the numbers. The numbers begin at the first line that
holds nothing else and is followed by another such line; the line above it, if it has as many cells, holds
the headings, or their units, and then the line above that. With semicolons or tabs between them numbers may
have a decimal comma. An empty cell is a missing value.
"""

from __future__ import annotations

import codecs
import itertools
import re
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import TextIO

import numpy as np

from anviltrace.errors import PlanError
from anviltrace.exchange.columns import Columns, Numbers, Wanted, choose_columns
from anviltrace.exchange.headings import are_units

_SEPARATORS = (None, ",", ";", "\t")
_AFTER_DECIMAL_COMMAS = (";", "\t")
"""Separators between numbers that may have a decimal comma."""
_LOOKED_AT = 200
"""Lines from the top among which the numbers must begin."""
_JUDGED = 1 << 16
"""Bytes from the top by which the encoding is told."""
_DECIMAL = re.compile(r"(?<!\d)0,\d|,\d{1,2}(?!\d)|,\d{4}")
"""A comma that cannot stand between thousands."""
_NO_NUMBER = re.compile(r"could not convert string (?P<cell>.*) to float64 at row")


@dataclass(frozen=True, slots=True)
class Layout:
    """How a text file is laid out: ``skip`` lines stand above the numbers, ``separator`` None is blanks."""

    encoding: str
    skip: int
    separator: str | None
    headings: tuple[str, ...]


def read_text(path: Path, wanted: Wanted) -> Columns:
    """The columns wanted of a text file; missing values become NaN.

    Raises PlanError when no line of numbers begins near the top, a column is not there, a cell below is not
    a number, a row has more or fewer cells than the first, or commas may stand between thousands.
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
    encoding = _encoding(path)
    with _opened(path, encoding) as file:
        lines = enumerate(itertools.islice(file, _LOOKED_AT))
        head = [(skip, line.rstrip("\n")) for skip, line in lines if line.strip()]
    above: list[str] = []
    for (skip, line), (_, following) in itertools.pairwise([*head, *head[-1:]]):
        separator = max(_SEPARATORS, key=lambda one: _count_numbers(line, following, one))
        if count := _count_numbers(line, following, separator):
            return Layout(encoding, skip, separator, _headings(above, separator, count))
        above.append(line)
    told = f"none of the first {len(head)} lines holds numbers only" if head else "the file is empty"
    raise PlanError(
        f"{path}: {told}: export it as CSV with one row for each sample, numbers separated by commas, "
        "semicolons, tabs or blanks"
    )


def _encoding(path: Path) -> str:
    """By its mark, else UTF-8 where it is that, else that of older programs for Windows."""
    with path.open("rb") as file:
        start = file.read(_JUDGED)
    if start.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)):
        return "utf-16"
    try:
        codecs.getincrementaldecoder("utf-8")().decode(start)
    except UnicodeDecodeError:
        return "cp1252"
    return "utf-8-sig"


def _opened(path: Path, encoding: str) -> TextIO:
    return path.open(encoding=encoding, errors="replace")


def _headings(above: list[str], separator: str | None, count: int) -> tuple[str, ...]:
    """Those in the last line above the numbers; numbered where it holds none.

    Units below the headings are put behind them in brackets.
    """
    rows = [_first(_cells(line.lstrip("# "), separator), count) for line in above[-2:]]
    if not rows or not rows[-1]:
        return tuple(f"column {number}" for number in range(1, count + 1))
    if len(rows) == 2 and rows[0] and are_units(rows[1]):
        pairs = zip(rows[0], (unit.strip("()[]") for unit in rows[1]), strict=True)
        return tuple(f"{name} ({unit})" if unit else name for name, unit in pairs)
    return tuple(rows[-1])


def _cells(line: str, separator: str | None) -> list[str]:
    return [cell.strip().strip('"') for cell in line.split(separator)]


def _first(cells: list[str], count: int) -> list[str]:
    """The cells of a row of so many, which may end with a separator; none of a row of another length."""
    return cells[:count] if len(cells) == count or (len(cells) == count + 1 and not cells[-1]) else []


def _count_numbers(line: str, following: str, separator: str | None) -> int:
    """How many numbers both lines hold, 0 where either holds anything else."""
    return min(_widths(line, separator) & _widths(following, separator), default=0)


def _widths(line: str, separator: str | None) -> set[int]:
    """How many numbers a line may hold: with a separator at its end, it may be the last that is missing."""
    cells = _cells(line, separator)
    if separator in _AFTER_DECIMAL_COMMAS and len(cells) < 2:
        return set()  # one cell with a decimal comma is two with a comma between them
    if not any(cells) or not all(_is_number(cell, separator) for cell in cells if cell):
        return set()
    return {len(cells)} if cells[-1] else {len(cells), len(cells) - 1}


def _is_number(cell: str, separator: str | None) -> bool:
    try:
        float(cell.replace(",", ".") if separator in _AFTER_DECIMAL_COMMAS else cell)
    except ValueError:
        return False
    return True


def _numbers(path: Path, layout: Layout, used: list[int]) -> Numbers:
    with _opened(path, layout.encoding) as file:
        rows = _Rows(layout)
        try:
            table = np.loadtxt(
                rows.of(file), delimiter=layout.separator, usecols=used, ndmin=2, comments=None, quotechar='"'
            )
        except ValueError as error:
            found = _NO_NUMBER.match(str(error))
            told = f"{found['cell']} is no number" if found else str(error)
            raise PlanError(f"{path}, line {rows.line}: {told}: mend that row") from error
    if rows.doubtful:
        raise PlanError(
            f"{path}: {rows.doubtful!r} may have a decimal comma or thousands set apart, and no other number "
            "shows which: export it with decimal points"
        )
    return table


class _Rows:
    """The rows of numbers one by one: as many cells in each, points for commas, nan for what is missing.

    ``line`` is the number of the last one in the file; ``doubtful`` the first number with a comma as long as
    none has shown that commas are decimal ones.
    """

    def __init__(self, layout: Layout) -> None:
        self.line, self.doubtful = layout.skip, ""
        self._separator, self._count = layout.separator, len(layout.headings)
        self._decimal = False

    def of(self, file: Iterable[str]) -> Iterator[str]:
        """Raises ValueError at a row with more or fewer cells than the first."""
        between = self._separator or " "
        commas, within, missing = between in _AFTER_DECIMAL_COMMAS, self._count - 1, between * 2
        for row in itertools.islice(file, self.line, None):
            self.line += 1
            if commas and "," in row:
                row = self._with_points(row)
            if (
                self._separator is None
                or row.count(between) != within
                or missing in row
                or row[0] == between
                or row[-2:-1] == between
            ):
                row = self._mended(row)
            yield row

    def _with_points(self, row: str) -> str:
        if not self._decimal:
            self._decimal = _DECIMAL.search(row) is not None
            first = next(cell for cell in _cells(row, self._separator) if "," in cell)
            self.doubtful = "" if self._decimal else self.doubtful or first
        return row.replace(",", ".")

    def _mended(self, row: str) -> str:
        """A row that needs a closer look, with its missing values named; an empty one stays so."""
        if not row.strip():
            return ""
        cells = row.rstrip("\n").split(self._separator)
        if len(cells) == self._count + 1 and not cells[-1].strip():
            del cells[-1]
        if len(cells) != self._count:
            raise ValueError(
                f"{len(cells)} cells where the first row of numbers has {self._count} (thousands must not be "
                "set apart)"
            )
        return (self._separator or " ").join(cell if cell.strip() else "nan" for cell in cells)
