"""Parquet files, as data analysts hand them on. Needs pyarrow: the extra ``table``."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from anviltrace.errors import PlanError
from anviltrace.exchange.columns import Columns, Numbers, Wanted, choose_columns


def read_parquet(path: Path, wanted: Wanted) -> Columns:
    """The columns wanted of a Parquet file; missing values become NaN.

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
        times = None if time is None else _column(path, file, headings[time])
    return Columns(values, times, channel=headings[value], clock="" if time is None else headings[time])


def _column(path: Path, file: object, name: str) -> Numbers:
    column = file.read([name]).column(0)  # type: ignore[attr-defined]
    try:
        return np.asarray(column.to_numpy(), dtype=np.float64)
    except (TypeError, ValueError) as error:
        raise PlanError(
            f"{path}: column {name!r} does not hold numbers; take another with --column"
        ) from error
