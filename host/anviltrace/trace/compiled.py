"""The functions of :mod:`anviltrace.trace.kernels`, which says what each does, compiled by Numba.

Compiled when first called, for whole counts and for floats, and kept on disk for the next process.
"""

from __future__ import annotations

from typing import Any, TypeVar, cast

import numpy as np
import numpy.typing as npt
from numba import njit

Floats = npt.NDArray[np.float64]
Indices = npt.NDArray[np.int64]
Values = npt.NDArray[Any]
Function = TypeVar("Function")

_TINY = float(np.finfo(np.float64).tiny)
_HALVINGS = 14
_FEW = 12
"""So few values are put in order at once."""


_FINITE = {"nnan", "nsz", "reassoc", "contract"}
"""For sums and largest values of finite numbers: several at a time, in whatever order."""


def _compiled(function: Function) -> Function:
    return cast(Function, njit(cache=True, error_model="numpy", nogil=True)(function))


def _of_finite(function: Function) -> Function:
    return cast(Function, njit(cache=True, error_model="numpy", nogil=True, fastmath=_FINITE)(function))


@_of_finite
def tops_of_groups(values: Values, length: int) -> Values:
    tops = np.empty(values.size // length, values.dtype)
    for group in range(tops.size):
        top = values[group * length]
        for place in range(group * length + 1, (group + 1) * length):
            top = max(top, values[place])
        tops[group] = top
    return tops


@_of_finite
def means_of_groups(values: Values, length: int) -> Floats:
    if length == 3:
        return _means_of(values, (0, 1, 2))
    if length == 4:
        return _means_of(values, (0, 1, 2, 3))
    means = np.empty(values.size // length)
    for group in range(means.size):
        total = 0.0
        for place in range(group * length, (group + 1) * length):
            total += values[place]
        means[group] = total / length
    return means


@_of_finite
def _means_of(values: Values, places: tuple[int, ...]) -> Floats:
    """Means of as many values as there are ``places``: a number known when this is compiled goes quicker."""
    means = np.empty(values.size // len(places))
    for group in range(means.size):
        total = 0.0
        for place in range(len(places)):
            total += values[group * len(places) + place]
        means[group] = total / len(places)
    return means


@_compiled
def three_taps(values: Floats, weights: tuple[float, float, float], lag: int, paired: bool) -> Floats:
    now, once, twice = weights
    filtered = np.empty(values.size)
    for here in range(values.size):
        before, long_before = max(0, here - lag), max(0, here - 2 * lag)
        filtered[here] = now * values[here] + once * values[before] + twice * values[long_before]
    if paired:
        alone = filtered[0] if values.size else 0.0
        for here in range(values.size):
            alone, filtered[here] = filtered[here], filtered[here] + alone
    return filtered


@_compiled
def shares_of(values: Values, centre: Indices, offsets: Indices, low: Floats, high: Floats) -> Floats:
    shares = np.empty((centre.size, offsets.size))
    for row in range(centre.size):
        here = centre[row]
        height = max(values[here] - low[row], _TINY)
        for column in range(offsets.size):
            level = low[row] if offsets[column] <= 0 else high[row]
            shares[row, column] = (values[here + offsets[column]] - level) / height
    return shares


@_compiled
def _select(values: Values, count: int, rank: int) -> None:
    """Order the first ``count`` values so far that the one of this rank is at its place (Hoare's FIND)."""
    low, high = 0, count - 1
    while low < high:
        one, two, three = values[low], values[(low + high) // 2], values[high]
        pivot = max(min(one, two), min(max(one, two), three))
        up, down = low, high
        while up <= down:
            while values[up] < pivot:
                up += 1
            while values[down] > pivot:
                down -= 1
            if up <= down:
                values[up], values[down] = values[down], values[up]
                up += 1
                down -= 1
        if rank <= down:
            high = down
        elif rank >= up:
            low = up
        else:
            break


@_of_finite
def _count_up_to(values: Floats, count: int, most: float) -> int:
    found = 0
    for place in range(count):
        found += values[place] <= most
    return found


@_of_finite
def _bracket(values: Floats, count: int, rank: int) -> tuple[float, float, int]:
    """Bounds, the lower one exclusive, between which the value of this rank lies, and how many values are
    not above the lower one. Halved until few are left: counting is quick, branches are not."""
    low, high = np.inf, -np.inf
    for place in range(count):
        low = min(low, values[place])
        high = max(high, values[place])
    low, below, up_to = -np.inf if low == high else low - (high - low), 0, count
    for _ in range(_HALVINGS):
        pivot = 0.5 * (low + high)
        if up_to - below <= _FEW or not low < pivot < high:
            break
        found = _count_up_to(values, count, pivot)
        if found > rank:
            high, up_to = pivot, found
        else:
            low, below = pivot, found
    return low, high, below


@_compiled
def _median(values: Floats, left: Floats, count: int) -> float:
    """Median of the first ``count`` values; ``left`` has room for as many."""
    middle = count // 2
    low, high, below = _bracket(values, count, middle)
    inside, lower = 0, -np.inf
    for place in range(count):
        value = values[place]
        left[inside] = value
        inside += (value > low) & (value <= high)
        lower = max(lower, value if value <= low else -np.inf)
    _select(left, inside, middle - below)
    upper = float(left[middle - below])
    if count % 2:
        return upper
    for place in range(middle - below):
        lower = max(lower, left[place])
    return 0.5 * (float(lower) + upper)


@_compiled
def medians_of(values: Values, first: Indices, end: Indices, step: int = 1) -> Floats:
    medians = np.empty(first.size)
    most = 0
    for stretch in range(first.size):
        most = max(most, end[stretch] - first[stretch])
    taken, left = np.empty(most), np.empty(most + 1)
    for stretch in range(first.size):
        some = values[first[stretch] : end[stretch] : step]
        for place in range(some.size):
            taken[place] = some[place]
        medians[stretch] = _median(taken, left, some.size)
    return medians


@_of_finite
def extremes_of(values: Values, first: Indices, end: Indices) -> tuple[Floats, Floats]:
    lows, highs = np.empty(first.size), np.empty(first.size)
    for stretch in range(first.size):
        low = high = values[first[stretch]]
        for place in range(first[stretch] + 1, end[stretch]):
            low = min(low, values[place])
            high = max(high, values[place])
        lows[stretch], highs[stretch] = low, high
    return lows, highs


@_compiled
def largest_of(values: Values, first: Indices, end: Indices) -> Indices:
    places = np.empty(first.size, np.int64)
    for stretch in range(first.size):
        largest = first[stretch]
        for place in range(first[stretch] + 1, end[stretch]):
            if values[place] > values[largest]:
                largest = place
        places[stretch] = largest
    return places


@_of_finite
def sums_of(values: Values, first: Indices, end: Indices) -> tuple[Floats, Floats]:
    sums, moments = np.zeros(first.size), np.zeros(first.size)
    for stretch in range(first.size):
        total = moment = 0.0
        begin = first[stretch]
        for place in range(end[stretch] - begin):
            value = float(values[begin + place])
            total += value
            moment += value * place
        sums[stretch], moments[stretch] = total, moment
    return sums, moments


@_of_finite
def power_of(values: Values, first: Indices, end: Indices, level: Floats, step: int = 1) -> Floats:
    power = np.empty(first.size)
    for stretch in range(first.size):
        total, count = 0.0, 0
        for place in range(first[stretch], end[stretch], step):
            total += (values[place] - level[stretch]) ** 2
            count += 1
        power[stretch] = total / count
    return power


@_compiled
def last_beyond(
    values: Values, first: Indices, end: Indices, level: Floats, slope: Floats, least: Floats
) -> Indices:
    places = np.full(first.size, -1, np.int64)
    for stretch in range(first.size):
        for place in range(end[stretch] - 1, first[stretch] - 1, -1):
            line = slope[stretch] * (place - first[stretch]) + level[stretch]
            if abs(values[place] - line) > least[stretch]:
                places[stretch] = place
                break
    return places


@_compiled
def last_below(
    values: Values,
    first: Indices,
    end: Indices,
    threshold: Floats,
    usual: int,  # noqa: ARG001
) -> Indices:
    places = np.full(first.size, -1, np.int64)
    for stretch in range(first.size):
        for place in range(end[stretch] - 1, first[stretch] - 1, -1):
            if values[place] <= threshold[stretch]:
                places[stretch] = place
                break
    return places


@_compiled
def _crossing(values: Values, place: int, threshold: float) -> float:
    if place < 0 or place + 1 >= values.size:
        return np.nan
    here, there = float(values[place]), float(values[place + 1])
    return place + (0.0 if there == here else (threshold - here) / (there - here))


@_compiled
def rises_at(values: Values, first: Indices, end: Indices, threshold: Floats, usual: int) -> Floats:
    places, crossings = last_below(values, first, end, threshold, usual), np.empty(first.size)
    for stretch in range(first.size):
        crossings[stretch] = _crossing(values, places[stretch], threshold[stretch])
    return crossings


@_compiled
def falls_at(
    values: Values,
    first: Indices,
    end: Indices,
    threshold: Floats,
    usual: int,  # noqa: ARG001
) -> Floats:
    crossings = np.full(first.size, np.nan)
    for stretch in range(first.size):
        for place in range(first[stretch], end[stretch]):
            if values[place] <= threshold[stretch]:
                crossings[stretch] = _crossing(values, place - 1, threshold[stretch])
                break
    return crossings
