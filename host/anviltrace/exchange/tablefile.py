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
        schema = file.schema_arrow
        value, time = choose_columns(path, schema.names, wanted)
        values = _numbers(path, schema.names[value], _read(path, file, value))
        if time is None:
            return Columns(values, channel=schema.names[value])
        clock, column = schema.names[time], _read(path, file, time)
    if not arrow.types.is_temporal(column.type):
        return Columns(values, _numbers(path, clock, column), channel=schema.names[value], clock=clock)
    times = _since_first(path, clock, column)
    return Columns(values, times, time_unit_s=1.0, channel=schema.names[value], clock=clock)


def _read(path: Path, file: Any, place: int) -> Any:
    """A column, also where another has the same name; the errors of a damaged file are built-in ones."""
    names = file.schema_arrow.names
    try:
        return file.read([names[place]]).column(names[:place].count(names[place]))
    except (OSError, ValueError) as error:
        raise PlanError(f"{path} cannot be read as Parquet ({error}): write it anew") from error


def _numbers(path: Path, name: str, column: Any) -> Numbers:
    from pyarrow import types

    try:
        if types.is_temporal(column.type):
            raise TypeError(f"{column.type} is a time")
        return np.asarray(column.to_numpy(), dtype=np.float64)
    except (TypeError, ValueError) as error:
        raise PlanError(
            f"{path}: column {name!r} does not hold numbers; take another with --column"
        ) from error


def _since_first(path: Path, name: str, column: Any) -> Numbers:
    """Dates with a time, times of day or durations in seconds from the first one on, exact until then."""
    unit_s = _UNITS_S.get(getattr(column.type, "unit", ""))
    if unit_s is None or column.null_count:
        wrong = "holds days" if unit_s is None else f"lacks {column.null_count} times"
        raise PlanError(f"{path}: column {name!r} {wrong}: every sample needs a time in it")
    whole = column.cast("int64" if column.type.bit_width == 64 else "int32").to_numpy().astype(np.int64)
    since: Numbers = (whole - whole[:1]) * unit_s
    return since
