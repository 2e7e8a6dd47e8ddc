"""What a reader of a foreign file hands over, and which columns it is asked for."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt

from anviltrace.errors import PlanError
from anviltrace.exchange.headings import is_time, split_unit

Numbers = npt.NDArray[np.float64]

MOST_LISTED = 12
"""Headings that are told when none of them was wished for."""


@dataclass(frozen=True, slots=True)
class Wanted:
    """Which columns to take, by heading (with or without its unit) or by number from 1; empty: the only one
    there can be."""

    value: str = ""
    time: str = ""


@dataclass(frozen=True, slots=True)
class Columns:
    """One channel of a foreign file, shape (n,).

    ``values`` are in the unit of the file, or, where ``full_scale_code`` says so, whole numbers of which so
    many are its full scale, or, with ``of_full_scale``, shares of it. ``times`` are those of the values in
    the file's own unit of time (``time_unit_s`` where the file says it), None where the file has a
    ``rate_hz`` instead, or neither. ``channel`` and ``clock`` are the headings, empty without any. ``remark``
    is what is wrong with the file.
    """

    values: Numbers | npt.NDArray[np.int32]
    times: Numbers | None = None
    rate_hz: float | None = None
    full_scale_code: int | None = None
    of_full_scale: bool = False
    time_unit_s: float | None = None
    remark: str = ""
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
            time = 0 if is_time(headings[0]) else None  # nothing else may be taken for one unasked
        return value, time
    if time is None and len(headings) == 2:
        time = 0
    left = [place for place in range(len(headings)) if place != time]
    if len(left) != 1:
        raise PlanError(
            f"{path} has {len(headings)} columns ({_listed(headings)}): say which to take with --column, "
            "and which holds the time with --time-column"
        )
    return left[0], time


def _place(path: Path, headings: Sequence[str], wish: str, option: str) -> int:
    called = [place for place, heading in enumerate(headings) if heading == wish]
    if len(called) > 1:
        numbers = " or ".join(str(place + 1) for place in called)
        raise PlanError(f"{path} has {len(called)} columns {wish!r}: say which with {option} {numbers}")
    if called:
        return called[0]
    if wish.isdecimal() and 1 <= int(wish) <= len(headings):
        return int(wish) - 1
    named = [place for place, heading in enumerate(headings) if split_unit(heading)[0] == wish]
    if len(named) == 1:
        return named[0]
    raise PlanError(
        f"{path} has no column {wish!r} for {option}; it has {len(headings)}: {_listed(headings)}"
    )


def _listed(headings: Sequence[str]) -> str:
    more = len(headings) - MOST_LISTED
    return ", ".join(headings[:MOST_LISTED]) + (f" and {more} more" if more > 0 else "")
