"""Stretches of a record, all looked at at once: side by side as rows of a matrix.

The functions of :mod:`anviltrace.trace.kernels`, which says what each does, made with NumPy alone.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import numpy as np
import numpy.typing as npt

from anviltrace.trace.level import medians, quiet_levels

Floats = npt.NDArray[np.float64]
Indices = npt.NDArray[np.int64]
Flags = npt.NDArray[np.bool_]
Values = npt.NDArray[Any]

MOST_AT_ONCE = 2**17
"""Samples in one matrix of rows: enough to be quick, few enough to be nothing beside a long record."""
_FEW = 32
"""Groups of so few samples are quicker made sample by sample, all groups at once."""


def tops_of_groups(values: Values, length: int) -> Values:
    return _in_groups(np.maximum, values, length)


def means_of_groups(values: Values, length: int) -> Floats:
    sums = _in_groups(np.add, np.asarray(values, dtype=np.float64), length)
    return np.asarray(sums / length) if length > 1 else sums


def three_taps(values: Floats, weights: tuple[float, float, float], lag: int, paired: bool) -> Floats:
    lead = np.repeat(values[..., :1], 2 * lag + paired, axis=-1)
    longer = np.concatenate((lead, values), axis=-1)
    close = longer[..., 1:] + longer[..., :-1] if paired else longer
    size, (now, once, twice) = values.shape[-1], weights
    filtered: Floats = close[..., 2 * lag :] * now
    part = close[..., lag : lag + size] * once
    filtered += part
    filtered += np.multiply(close[..., :size], twice, out=part)
    return filtered


def shares_of(values: Values, centre: Indices, offsets: Indices, low: Floats, high: Floats) -> Floats:
    height = np.maximum(values[centre] - low, np.finfo(np.float64).tiny)
    rows, up_to_centre = values[centre[:, np.newaxis] + offsets], np.searchsorted(offsets, 0, side="right")
    shares = np.empty(rows.shape)
    np.subtract(rows[:, :up_to_centre], low[:, np.newaxis], out=shares[:, :up_to_centre])
    np.subtract(rows[:, up_to_centre:], high[:, np.newaxis], out=shares[:, up_to_centre:])
    shares /= height[:, np.newaxis]
    return shares


def _in_groups(operation: np.ufunc, values: Values, length: int) -> Values:
    whole = values.shape[-1] // length * length
    if length > _FEW:
        return np.asarray(operation.reduce(values[..., :whole].reshape(*values.shape[:-1], -1, length), -1))
    grouped = values[..., :whole:length].copy()
    for place in range(1, length):
        operation(grouped, values[..., place:whole:length], out=grouped)
    return grouped


def medians_of(values: Values, first: Indices, end: Indices, step: int = 1) -> Floats:
    count = -(-(end - first) // step)
    found = np.empty(first.size)
    for some, rows in _rows(values, first, end, step):
        alike = (count[some] == rows.shape[1]).all()
        found[some] = medians(rows) if alike else quiet_levels(rows.astype(np.float64), count[some])
    return found


def extremes_of(values: Values, first: Indices, end: Indices) -> tuple[Floats, Floats]:
    low, high = np.empty(first.size), np.empty(first.size)
    for some, rows in _rows(values, first, end):
        _fill(rows, (end - first)[some])
        low[some], high[some] = rows.min(axis=1), rows.max(axis=1)
    return low, high


def largest_of(values: Values, first: Indices, end: Indices) -> Indices:
    place = np.empty(first.size, dtype=np.int64)
    for some, rows in _rows(values, first, end):
        _fill(rows, (end - first)[some])
        place[some] = first[some] + rows.argmax(axis=1)
    return place


def sums_of(values: Values, first: Indices, end: Indices) -> tuple[Floats, Floats]:
    sums, moments = np.zeros(first.size), np.zeros(first.size)
    for some, rows in _rows(values, first, end):
        sums[some] = _row_sums(rows, (end - first)[some])
        moments[some] = _row_sums(rows * np.arange(rows.shape[1]), (end - first)[some])
    return sums, moments


def power_of(values: Values, first: Indices, end: Indices, level: Floats, step: int = 1) -> Floats:
    power, count = np.empty(first.size), -(-(end - first) // step)
    for some, rows in _rows(values, first, end, step):
        departure = rows - level[some, np.newaxis]
        power[some] = _row_sums(np.square(departure, out=departure), count[some]) / count[some]
    return power


def last_beyond(
    values: Values, first: Indices, end: Indices, level: Floats, slope: Floats, least: Floats
) -> Indices:
    place = np.empty(first.size, dtype=np.int64)
    for some, rows in _rows(values, first, end):
        column = np.arange(rows.shape[1])
        departure = slope[some, np.newaxis] * column
        departure += level[some, np.newaxis]
        np.abs(np.subtract(rows, departure, out=departure), out=departure)
        beyond = departure > least[some, np.newaxis]
        beyond &= column < (end - first)[some, np.newaxis]
        last = beyond.shape[1] - 1 - beyond[:, ::-1].argmax(axis=1)
        place[some] = np.where(beyond[np.arange(last.size), last], first[some] + last, -1)
    return place


def falls_at(values: Values, first: Indices, end: Indices, threshold: Floats, usual: int) -> Floats:
    below = _first_below(values, first, end, threshold, usual)
    return _crossing(values, np.where(below < 0, -1, below - 1), threshold)


def rises_at(values: Values, first: Indices, end: Indices, threshold: Floats, usual: int) -> Floats:
    return _crossing(values, last_below(values, first, end, threshold, usual), threshold)


def _crossing(values: Values, index: Indices, threshold: Floats) -> Floats:
    """Where between value ``index`` and the next the straight line has the value ``threshold``."""
    inside = (index >= 0) & (index + 1 < values.size)
    here, there = (values[np.where(inside, index + step, 0)] for step in (0, 1))
    share = (threshold - here) / np.where(there == here, np.inf, there - here)
    return np.where(inside, index + share, np.nan)


def _first_below(values: Values, first: Indices, end: Indices, threshold: Floats, usual: int) -> Indices:
    found = np.full(first.size, -1)
    left = np.flatnonzero(np.isfinite(threshold) & (first < end))
    begin = first.copy()
    while left.size:
        rows = _continued_rows(values, begin[left], usual)
        below = rows <= threshold[left, np.newaxis]
        below &= np.arange(usual) < (end - begin)[left, np.newaxis]
        place = below.argmax(axis=1)
        has = below[np.arange(left.size), place]
        found[left[has]] = (begin[left] + place)[has]
        begin[left] += usual
        left, usual = left[~has & (begin < end)[left]], 2 * usual
    return found


def last_below(values: Values, first: Indices, end: Indices, threshold: Floats, usual: int) -> Indices:
    size = values.size
    mirrored = _first_below(values[::-1], size - end, size - first, threshold, usual)
    return np.where(mirrored < 0, -1, size - 1 - mirrored)


def _rows(values: Values, first: Indices, end: Indices, step: int = 1) -> Iterator[tuple[slice, Values]]:
    """Copies of some stretches at a time, every ``step``-th value, as long as the longest; what lies behind a
    shorter one is whatever."""
    width = max(1, int((end - first).max())) if first.size else 1
    some = max(1, MOST_AT_ONCE // width)
    for begin in range(0, first.size, some):
        part = slice(begin, min(begin + some, first.size))
        yield part, _continued_rows(values, first[part], width, step)


def _continued_rows(values: Values, first: Indices, width: int, step: int = 1) -> Values:
    """Rows of ``width`` from ``first`` on; beyond its ends the record goes on with its last value."""
    column = np.arange(0, width, step)
    if width > values.size:
        return np.asarray(values[np.clip(first[:, np.newaxis] + column, 0, values.size - 1)])
    inside = np.clip(first, 0, values.size - width)
    taken = _windows(values, width)[:, ::step][inside]
    beyond = np.flatnonzero(inside != first)
    if beyond.size:
        taken[beyond] = values[np.clip(first[beyond, np.newaxis] + column, 0, values.size - 1)]
    return taken


def _windows(values: Values, width: int) -> Values:
    """All stretches of ``width`` values; quicker made than by NumPy's own function."""
    stride = values.strides[0]
    shape = (values.size - width + 1, width)
    return np.lib.stride_tricks.as_strided(values, shape, (stride, stride), writeable=False)


def _fill(rows: Values, count: Indices) -> None:
    """Make what lies behind ``count`` values of each row its first value."""
    shortest = int(count.min())
    if shortest < rows.shape[1]:
        behind = np.arange(shortest, rows.shape[1]) >= count[:, np.newaxis]
        np.copyto(rows[:, shortest:], rows[:, :1], where=behind)


def _row_sums(rows: Values, count: Indices) -> Floats:
    """Sum of the first ``count`` values of each row; 0 where that is nothing."""
    flat, begin = rows.ravel(), np.arange(count.size) * rows.shape[1]
    some = np.flatnonzero(count > 0)
    sums = np.zeros(count.size)
    if some.size:
        ends = np.stack((begin[some], (begin + count)[some]), axis=1).ravel()
        sums[some] = np.add.reduceat(flat, ends if ends[-1] < flat.size else ends[:-1], dtype=np.float64)[::2]
    return sums
