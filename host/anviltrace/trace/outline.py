"""The outline of each blow: its apex, its peak, and where it rises and falls."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from anviltrace.trace.finding import START_SHARE
from anviltrace.trace.kernels import falls_at, rises_at
from anviltrace.trace.level import median
from anviltrace.trace.struck import Struck

Floats = npt.NDArray[np.float64]
Indices = npt.NDArray[np.int64]

BASE_OVER_FWHM = 1.5
"""Base width over full width at half maximum; exact for half a sine."""
LEAST_FOR_PARABOLA = 5.0
"""Samples on the base width from which a parabola through three points at the apex reads better."""


@dataclass(frozen=True, slots=True)
class Outlines:
    """Blows between the level ``low`` before and ``high`` after them, arrays of shape (m,).

    ``apex``, ``start`` (at 5 % of the height) and ``middle`` (between the half heights) in samples, fractions
    of them, from the first value, ``width`` (full, at half maximum) and ``rise`` (10 to 90 %) in samples; NaN
    where a share of the height is never crossed. ``peak`` in the unit of the values.
    """

    low: Floats
    high: Floats
    apex: Floats
    peak: Floats
    start: Floats
    middle: Floats
    width: Floats
    rise: Floats


def outlines(record: Struck, low: Floats, high: Floats) -> Outlines:
    """Apex and peak of the parabola through the largest sample and its neighbours, where it has enough."""
    index = record.found.apex_index
    apex, peak = index.astype(np.float64), record.values[index]
    usual = _usual(record)
    width = _fall_to_half(record, peak, high, usual) - _rise_to(record, (0.5,), peak, low, usual)[0]
    enough = width * BASE_OVER_FWHM >= LEAST_FOR_PARABOLA
    shift, lift = _parabola(record.values, index)
    apex, peak = apex + np.where(enough, shift, 0.0), peak + np.where(enough, lift, 0.0)
    start, tenth, half, most = _rise_to(record, (START_SHARE, 0.1, 0.5, 0.9), peak, low, usual)
    fall = _fall_to_half(record, peak, high, usual)
    return Outlines(low, high, apex, peak, start, 0.5 * (half + fall), fall - half, most - tenth)


def _fall_to_half(record: Struck, peak: Floats, high: Floats, usual: int) -> Floats:
    """Where each blow first falls to half its height over the level after."""
    found, threshold = record.found, high + 0.5 * (peak - high)
    return falls_at(record.values, found.apex_index, found.end_index, threshold, usual)


def _rise_to(record: Struck, shares: tuple[float, ...], peak: Floats, low: Floats, usual: int) -> Floats:
    """Where the rise to the apex last crosses shares of the height over the level before: shape (k, m)."""
    apex, count = record.found.apex_index, len(shares)
    threshold = (low + np.array(shares)[:, np.newaxis] * (peak - low)).ravel()
    begin, end = np.tile(np.append(0, apex[:-1]), count), np.tile(apex + 1, count)
    return rises_at(record.values, begin, end, threshold, usual).reshape(count, -1)


def _usual(record: Struck) -> int:
    """Samples from the apex of most blows to well below half their height."""
    return int(1.5 * median(record.found.apex_index - record.found.start_index)) + 8


def _parabola(values: Floats, index: Indices) -> tuple[Floats, Floats]:
    """How far the apex of a parabola through three samples lies behind the middle one, and above it."""
    last = values.size - 1
    left, top, right = values[np.maximum(index - 1, 0)], values[index], values[np.minimum(index + 1, last)]
    bend = left - 2.0 * top + right
    bends = (bend < 0.0) & (left != top) & (top != right) & (index > 0) & (index < last)
    shift = np.where(bends, 0.5 * (left - right) / np.where(bends, bend, -1.0), 0.0)
    return shift, -0.25 * (left - right) * shift
