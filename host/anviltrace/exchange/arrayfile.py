"""Arrays saved by NumPy: ``.npy`` with one array, ``.npz`` with several named ones. Nothing is unpickled."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import numpy.typing as npt

from anviltrace.errors import PlanError
from anviltrace.exchange.columns import Columns, Numbers, Wanted, choose_columns


def read_array(path: Path, wanted: Wanted) -> Columns:
    """The columns wanted: of an array of shape (n,) or (n, columns), or arrays of shape (n,) by name.

    Raises PlanError when it cannot be read, holds no numbers, or a column is not there.
    """
    columns = _columns(path)
    headings = list(columns)
    value, time = choose_columns(path, headings, wanted) if len(headings) > 1 else (0, None)
    values = _numbers(path, headings[value], columns[headings[value]])
    times = None if time is None else _numbers(path, headings[time], columns[headings[time]])
    return Columns(values, times, channel=headings[value], clock="" if time is None else headings[time])


def _columns(path: Path) -> dict[str, npt.NDArray[np.generic]]:
    try:
        loaded = np.load(path, allow_pickle=False)
        if not isinstance(loaded, np.ndarray):
            with loaded:
                return {name: loaded[name] for name in loaded.files}
    except (ValueError, OSError, EOFError) as error:
        raise PlanError(
            f"{path} cannot be read as a NumPy file ({error}): save it with numpy.save"
        ) from error
    if loaded.ndim == 1:
        return {"values": loaded}
    if loaded.ndim != 2:
        raise PlanError(f"{path} holds an array of shape {loaded.shape}: give (n,) or (n, columns)")
    return {f"column {number}": loaded[:, number - 1] for number in range(1, loaded.shape[1] + 1)}


def _numbers(path: Path, name: str, array: npt.NDArray[np.generic]) -> Numbers:
    if array.ndim != 1 or not (
        np.issubdtype(array.dtype, np.floating) or np.issubdtype(array.dtype, np.integer)
    ):
        raise PlanError(
            f"{path}: {name!r} is {array.dtype} of shape {array.shape}, not a row of real numbers"
        )
    return array.astype(np.float64)
