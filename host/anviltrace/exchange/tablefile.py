"""Parquet files, as data analysts hand them on. Needs pyarrow: the extra ``table``."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np

from anviltrace.errors import PlanError
from anviltrace.exchange.columns import Columns, Numbers, Wanted, choose_columns

_UNITS_S = {"s": 1.0, "ms": 1e-3, "us": 1e-6, "ns": 1e-9}
"""Seconds in the units of Arrow's kinds of times."""


def read_parquet(path: Path, wanted: Wanted) -> Columns:
    """The columns wanted of a Parquet file; missing values become NaN, dates and durations seconds from the
    first one on.

    Raises PlanError when pyarrow is not installed, it is no Parquet file, or a column is missing or not of
    numbers.
    """
    try:
        import pyarrow as arrow
        from pyarrow import parquet
    except ImportError as error:
        raise PlanError(
            f"{path}: Parquet files need pyarrow, which is not installed: pip install 'anviltrace[table]'"
        ) from error
    try:
        file = parquet.ParquetFile(path)
    except arrow.ArrowInvalid as error:
        raise PlanError(f"{path} cannot be read as Parquet ({error}): write it anew") from error
    with file:
        headings = file.schema_arrow.names
        value, time = choose_columns(path, headings, wanted)
        values = _column(path, file, headings[value])
        if time is None:
            return Columns(values, channel=headings[value])
        clock = headings[time]
        unit_s = _UNITS_S.get(getattr(file.schema_arrow.field(time).type, "unit", ""))
        times = _column(path, file, clock) if unit_s is None else _since_first(path, file, clock) * unit_s
    return Columns(
        values, times, time_unit_s=None if unit_s is None else 1.0, channel=headings[value], clock=clock
    )


def _column(path: Path, file: Any, name: str) -> Numbers:
    column = _read(path, file, name)
    try:
        if hasattr(column.type, "unit"):
            raise TypeError(f"{column.type} is a time")
        return np.asarray(column.to_numpy(), dtype=np.float64)
    except (TypeError, ValueError) as error:
        raise PlanError(
            f"{path}: column {name!r} does not hold numbers; take another with --column"
        ) from error


def _since_first(path: Path, file: Any, name: str) -> Numbers:
    """Times of day, dates or durations, from the first one on, in their own unit, exact."""
    column = _read(path, file, name)
    if column.null_count:
        raise PlanError(f"{path}: {column.null_count} times in {name!r} are missing: leave out those rows")
    whole = column.cast("int64" if column.type.bit_width == 64 else "int32").to_numpy().astype(np.int64)
    since: Numbers = (whole - whole[:1]).astype(np.float64)
    return since


def _read(path: Path, file: Any, name: str) -> Any:
    """A column; the errors of a damaged file are built-in ones in pyarrow."""
    try:
        return file.read([name]).column(0)
    except (OSError, ValueError) as error:
        raise PlanError(f"{path} cannot be read as Parquet ({error}): write it anew") from error
