"""What takes the time when blows are found and measured: many stretches of a record, looked at at once.

A stretch is the values from place ``first`` to before place ``end``: arrays of shape (m,), 0 ≤ first ≤ end ≤
n, for ``values`` of shape (n,), whole counts or floats. There are two makes of each function that agree but
for rounding: with NumPy alone (``stretches``), and compiled by Numba (``compiled``), which is quicker, but
takes a while to load. :func:`compile_them` chooses the second for this process.
"""

from __future__ import annotations

from contextlib import suppress
from importlib import import_module
from importlib.util import find_spec
from typing import Any, cast

import numpy as np
import numpy.typing as npt

from anviltrace.trace import stretches

Floats = npt.NDArray[np.float64]
Indices = npt.NDArray[np.int64]
Values = npt.NDArray[Any]

_make: Any = stretches


def can_be_compiled() -> bool:
    """Whether Numba is installed."""
    return find_spec("numba") is not None


def compile_them() -> bool:
    """Use the compiled make from now on. False without Numba, or with one that does not go with this NumPy or
    finds no folder to keep what it compiled."""
    global _make
    if can_be_compiled():
        with suppress(ImportError, RuntimeError):
            _make = import_module("anviltrace.trace.compiled")
    return are_compiled()


def are_compiled() -> bool:
    """Whether the compiled make is in use."""
    return _make is not stretches


def use_numpy() -> None:
    """Go back to the make with NumPy alone."""
    global _make
    _make = stretches


def tops_of_groups(values: Values, length: int) -> Values:
    """Largest of each group of ``length`` successive values, shape (n // length,); the rest is left out."""
    return cast(Values, _make.tops_of_groups(values, length))


def means_of_groups(values: Values, length: int) -> Floats:
    """Mean of each group of ``length`` successive values, shape (..., n // length) from (..., n)."""
    make = _make if values.ndim == 1 else stretches
    return cast(Floats, make.means_of_groups(values, length))


def three_taps(values: Floats, weights: tuple[float, float, float], lag: int, paired: bool) -> Floats:
    """Weighted sum of each value and those ``lag`` and two lags before it, shape (..., n).

    Where ``paired`` each value counts with the one before it. Before the first value all are like the first.
    """
    make = _make if values.ndim == 1 else stretches
    return cast(Floats, make.three_taps(values, weights, lag, paired))


def shares_of(values: Values, centre: Indices, offsets: Indices, low: Floats, high: Floats) -> Floats:
    """What lies around places as a share of the height there over ``low``: shape (m, k) for (m,) and (k,).

    ``offsets`` ascend; up to 0 they are over ``low``, from there on over ``high``, which are of shape (m,).
    """
    return cast(Floats, _make.shares_of(values, centre, offsets, low, high))


def medians_of(values: Values, first: Indices, end: Indices, step: int = 1) -> Floats:
    """Median of every ``step``-th value of each stretch, none of which is empty."""
    return cast(Floats, _make.medians_of(values, first, end, step))


def extremes_of(values: Values, first: Indices, end: Indices) -> tuple[Floats, Floats]:
    """Smallest and largest value of each stretch, none of which is empty."""
    return cast(tuple[Floats, Floats], _make.extremes_of(values, first, end))


def largest_of(values: Values, first: Indices, end: Indices) -> Indices:
    """Place of the first of the largest values of each stretch, none of which is empty."""
    return cast(Indices, _make.largest_of(values, first, end))


def sums_of(values: Values, first: Indices, end: Indices) -> tuple[Floats, Floats]:
    """Sum of each stretch, and of its values times their places after ``first``; 0 where it is empty."""
    return cast(tuple[Floats, Floats], _make.sums_of(values, first, end))


def power_of(values: Values, first: Indices, end: Indices, level: Floats, step: int = 1) -> Floats:
    """Mean square of every ``step``-th value of each stretch over ``level``; none is empty."""
    return cast(Floats, _make.power_of(values, first, end, level, step))


def last_beyond(
    values: Values, first: Indices, end: Indices, level: Floats, slope: Floats, least: Floats
) -> Indices:
    """Last place of each stretch with a value more than ``least`` away from the line ``level`` + ``slope``·
    (place − first); −1 without one."""
    return cast(Indices, _make.last_beyond(values, first, end, level, slope, least))


def last_below(values: Values, first: Indices, end: Indices, threshold: Floats, usual: int) -> Indices:
    """Last place of each stretch with a value not above ``threshold``; −1 without one, or for NaN.

    ``usual``: about so many values have to be looked at in most stretches.
    """
    return cast(Indices, _make.last_below(values, first, end, threshold, usual))


def rises_at(values: Values, first: Indices, end: Indices, threshold: Floats, usual: int) -> Floats:
    """Where the straight line from that place to the next crosses the threshold; NaN without one."""
    return cast(Floats, _make.rises_at(values, first, end, threshold, usual))


def falls_at(values: Values, first: Indices, end: Indices, threshold: Floats, usual: int) -> Floats:
    """Where each stretch first falls to ``threshold``, on the line from the value before; NaN if it does not,
    or begins there."""
    return cast(Floats, _make.falls_at(values, first, end, threshold, usual))
