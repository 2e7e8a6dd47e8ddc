"""Stretches of a record side by side as rows of a matrix, so that all blows are measured at once."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]
Indices = npt.NDArray[np.int64]
Flags = npt.NDArray[np.bool_]
Values = npt.NDArray[Any]

MOST_AT_ONCE = 2**17
"""Samples in one matrix of rows: enough to be quick, few enough to be nothing beside a long record."""


_FEW = 32
"""Groups of so few samples are quicker made sample by sample, all groups at once."""


def in_groups(operation: np.ufunc, values: Values, length: int) -> Values:
    """``operation`` over groups of ``length`` successive values: shape (..., n // length) from (..., n).

    Values that do not fill a group are left out.
    """
    whole = values.shape[-1] // length * length
    if length > _FEW:
        return np.asarray(operation.reduce(values[..., :whole].reshape(*values.shape[:-1], -1, length), -1))
    grouped = values[..., :whole:length].copy()
    for place in range(1, length):
        operation(grouped, values[..., place:whole:length], out=grouped)
    return grouped


@dataclass(frozen=True, slots=True)
class Rows:
    """Stretches of a record, ``values`` of shape (m, width); ``first`` (m,) is the place of each one's first.

    What is asked for lies between two places in the record, arrays of shape (m,), within the row.
    """

    values: Floats
    first: Indices

    @property
    def column(self) -> Indices:
        """Places in a row, shape (width,)."""
        return np.arange(self.values.shape[1])

    def part(self, first: Indices, last: Indices) -> Floats:
        """A copy from ``first`` to before ``last``; behind a shorter part its row holds whatever."""
        width = max(1, int((last - first).max()))
        flat, origin = self.values.ravel(), self._flat(first)
        lacking = int(origin.max()) + width - flat.size
        if lacking > 0:
            flat = np.concatenate((flat, np.zeros(lacking)))
        return np.asarray(np.lib.stride_tricks.sliding_window_view(flat, width)[origin])

    def sums(self, first: Indices, last: Indices) -> Floats:
        """Sums from ``first`` to before ``last``; 0 where that is nothing."""
        return self._sums(self.values, first, last)

    def moments(self, first: Indices, last: Indices) -> Floats:
        """The same of values times their place in the row."""
        return self._sums(self.values * self.column, first, last)

    def at(self, place: Indices) -> Floats:
        """The values at these places."""
        return np.asarray(self.values.ravel()[self._flat(place)])

    def _sums(self, values: Floats, first: Indices, last: Indices) -> Floats:
        some = np.flatnonzero(last > first)
        if not some.size:
            return np.zeros(first.size)
        flat, ends = values.ravel(), np.stack((self._flat(first)[some], self._flat(last)[some]), axis=1)
        summed = np.zeros(first.size)
        each = ends.ravel() if ends[-1, 1] < flat.size else ends.ravel()[:-1]
        summed[some] = np.add.reduceat(flat, each)[::2]
        return summed

    def _flat(self, place: Indices) -> Indices:
        return np.asarray(place - self.first + np.arange(self.first.size) * self.values.shape[1])


def rows_of(values: Values, first: Indices, width: int) -> Rows:
    """Rows of ``width`` from ``first`` on; beyond its ends the record goes on with its last value."""
    if width > values.size:
        return Rows(_continued(values, first, width), first)
    inside = np.clip(first, 0, values.size - width)
    taken = np.lib.stride_tricks.sliding_window_view(values, width)[inside]
    beyond = np.flatnonzero(inside != first)
    if beyond.size:
        taken[beyond] = _continued(values, first[beyond], width)
    return Rows(taken, first)


def _continued(values: Values, first: Indices, width: int) -> Values:
    index = np.clip(first[:, np.newaxis] + np.arange(width), 0, values.size - 1)
    return np.asarray(values[index])


def at_once(rows: int, width: int) -> Iterator[slice]:
    """Successive rows, together about :data:`MOST_AT_ONCE` samples."""
    step = max(1, MOST_AT_ONCE // max(1, width))
    return (slice(first, min(first + step, rows)) for first in range(0, rows, step))


def first_below(values: Values, first: Indices, end: Indices, threshold: Floats, usual: int) -> Indices:
    """Place of the first value not above ``threshold`` from ``first`` to before ``end``; −1 without one.

    ``usual``: so many values are looked at to begin with, more only where that does not do.
    """
    found = np.full(first.size, -1)
    left = np.flatnonzero(np.isfinite(threshold) & (first < end))
    begin = first.copy()
    while left.size:
        rows = rows_of(values, begin[left], usual)
        below = rows.values <= threshold[left, np.newaxis]
        below &= rows.column < (end - begin)[left, np.newaxis]
        place = below.argmax(axis=1)
        has = below[np.arange(left.size), place]
        found[left[has]] = (begin[left] + place)[has]
        begin[left] += usual
        left, usual = left[~has & (begin < end)[left]], 2 * usual
    return found


def last_below(values: Values, first: Indices, end: Indices, threshold: Floats, usual: int) -> Indices:
    """The same for the last value, sought from before ``end`` backwards to ``first``."""
    size = values.size
    mirrored = first_below(values[::-1], size - end, size - first, threshold, usual)
    return np.where(mirrored < 0, -1, size - 1 - mirrored)
