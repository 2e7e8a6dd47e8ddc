"""Arrays saved by NumPy: ``.npy`` with one array, ``.npz`` with several named ones. Nothing is unpickled."""

from __future__ import annotations

import zipfile
import zlib
from pathlib import Path

import numpy as np
import numpy.typing as npt

from anviltrace.errors import PlanError
from anviltrace.exchange.columns import Columns, Numbers, Wanted, choose_columns


def read_array(path: Path, wanted: Wanted) -> Columns:
    """The columns wanted: of an array of shape (n,), (n, columns) or (columns, n), or arrays of shape (n,) by
    name. There are more samples than columns.

    Raises PlanError when it cannot be read, holds no numbers, or a column is not there.
    """
    columns = _columns(path)
    headings = list(columns)
    if not headings:
        raise PlanError(f"{path} holds no array: save it with numpy.savez")
    value, time = choose_columns(path, headings, wanted) if len(headings) > 1 else (0, None)
    values = _numbers(path, headings[value], columns[headings[value]])
    times = None if time is None else _numbers(path, headings[time], columns[headings[time]])
    if times is not None and len(times) != len(values):
        raise PlanError(
            f"{path}: {headings[time or 0]!r} holds {len(times)} times and {headings[value]!r} {len(values)} "
            "values: save as many of each"
        )
    return Columns(values, times, channel=headings[value], clock="" if time is None else headings[time])


def _columns(path: Path) -> dict[str, npt.NDArray[np.generic]]:
    try:
        with path.open("rb") as file:
            loaded = np.load(file, allow_pickle=False)
            if not isinstance(loaded, np.ndarray):
                return {name: loaded[name] for name in loaded.files}
    except (ValueError, OSError, EOFError, MemoryError, zipfile.BadZipFile, zlib.error) as error:
        raise PlanError(
            f"{path} cannot be read as a NumPy file of numbers ({error}): save it with numpy.save"
        ) from error
    if loaded.ndim == 1:
        return {"values": loaded}
    if loaded.ndim != 2:
        raise PlanError(f"{path} holds an array of shape {loaded.shape}: give (n,) or (n, columns)")
    loaded = loaded if loaded.shape[0] >= loaded.shape[1] else loaded.T
    return {f"column {number}": loaded[:, number - 1] for number in range(1, loaded.shape[1] + 1)}


def _numbers(path: Path, name: str, array: npt.NDArray[np.generic]) -> Numbers:
    if array.ndim != 1 or not (
        np.issubdtype(array.dtype, np.floating) or np.issubdtype(array.dtype, np.integer)
    ):
        raise PlanError(
            f"{path}: {name!r} is {array.dtype} of shape {array.shape}, not a row of real numbers"
        )
    return array.astype(np.float64)
