"""What a reader of a foreign file hands over, and which columns it is asked for."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt

from anviltrace.errors import PlanError

Numbers = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Wanted:
    """Which columns to take, by heading or by number from 1; empty: the only one there can be."""

    value: str = ""
    time: str = ""


@dataclass(frozen=True, slots=True)
class Columns:
    """One channel of a foreign file, shape (n,).

    ``values`` are in the unit of the file, or, where ``full_scale_code`` says so, whole numbers of which so
    many are its full scale. ``times`` are those of the values in the file's own unit of time, None where the
    file has a ``rate_hz`` instead, or neither. ``channel`` and ``clock`` are the headings, empty without any.
    """

    values: Numbers | npt.NDArray[np.int32]
    times: Numbers | None = None
    rate_hz: float | None = None
    full_scale_code: int | None = None
    channel: str = ""
    clock: str = ""


def choose_columns(path: Path, headings: Sequence[str], wanted: Wanted) -> tuple[int, int | None]:
    """Places of the values and of the times among ``headings``; None where there are no times.

    Of two columns the first is the time, unless the wishes say otherwise. Raises PlanError when a wish fits
    no column, or there are several and none was wished for.
    """
    time = _place(path, headings, wanted.time, "--time-column") if wanted.time else None
    if wanted.value:
        value = _place(path, headings, wanted.value, "--column")
        if time is None and not wanted.time and value != 0 and len(headings) > 1:
            time = _looks_like_time(headings)
        return value, time
    if time is None and len(headings) == 2:
        time = 0
    left = [place for place in range(len(headings)) if place != time]
    if len(left) != 1:
        raise PlanError(
            f"{path} has {len(headings)} columns ({', '.join(headings)}): say which to take with --column, "
            "and which holds the time with --time-column"
        )
    return left[0], time


def _place(path: Path, headings: Sequence[str], wish: str, option: str) -> int:
    if wish in headings:
        return list(headings).index(wish)
    if wish.isdecimal() and 1 <= int(wish) <= len(headings):
        return int(wish) - 1
    raise PlanError(
        f"{path} has no column {wish!r} for {option}; it has {len(headings)}: {', '.join(headings)}"
    )


def _looks_like_time(headings: Sequence[str]) -> int | None:
    """The first column, if it is called a time; nothing else may be taken for one unasked."""
    return 0 if headings[0].strip().lower().startswith("t") else None
