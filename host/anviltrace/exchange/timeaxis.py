"""From the times of samples to an even grid: the rate, and where samples are missing."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from anviltrace.errors import PlanError

Numbers = npt.NDArray[np.float64]

OFF_GRID = 0.25
"""Share of the sampling interval by which a sample may lie off the grid; more is no even sampling."""
SAME_RATE = 1e-3
"""Relative difference up to which a stated rate and that of the times are the same."""


@dataclass(frozen=True, slots=True)
class TimeAxis:
    """Samples on an even grid: ``index`` of each from 0, shape (n,); ``start_s`` is the time of index 0."""

    rate_hz: float
    start_s: float
    index: npt.NDArray[np.int64]


def even(count: int, rate_hz: float) -> TimeAxis:
    """So many samples without a gap, from the time 0."""
    return TimeAxis(rate_hz, 0.0, np.arange(count, dtype=np.int64))


def from_times(times_s: Numbers, what: str) -> TimeAxis:
    """The grid that times in seconds, shape (n,), lie on; ``what`` names them in errors.

    The interval is the median one, made exact by a straight line through all times; a whole number of
    intervals between neighbours leaves out samples. Raises PlanError when times do not rise, or lie further
    off the grid than a quarter of the interval.
    """
    if len(times_s) < 3:
        raise PlanError(f"{what} holds {len(times_s)} samples: 3 are the least that show a rate")
    steps = np.diff(times_s)
    if not np.all(steps > 0.0):
        row = int(np.argmin(steps > 0.0)) + 2
        raise PlanError(
            f"{what}: the time does not rise from sample {row - 1} ({times_s[row - 2]:g}) to {row} "
            f"({times_s[row - 1]:g}): its digits may be too few; export more"
        )
    usual_s = float(np.median(steps))
    interval_s = float(np.mean(steps[np.rint(steps / usual_s) == 1.0]))  # the median bears rounded digits
    index = np.concatenate(([0], np.cumsum(np.rint(steps / interval_s).astype(np.int64))))
    interval_s, start_s = _through(index, times_s)
    off = np.abs(times_s - start_s - index * interval_s) / interval_s
    worst = int(np.argmax(off))
    if off[worst] > OFF_GRID or np.any(np.diff(index) == 0):
        raise PlanError(
            f"{what} is not sampled evenly: sample {worst + 1} lies {off[worst]:.2f} of the interval of "
            f"{interval_s:.6g} s off the grid (limit {OFF_GRID:g}): resample it where it was recorded"
        )
    return TimeAxis(1.0 / interval_s, start_s, index)


def _through(index: npt.NDArray[np.int64], times_s: Numbers) -> tuple[float, float]:
    """Interval and start of the straight line through all times, least squares."""
    from_middle = index - index.mean()
    slope = float(from_middle @ (times_s - times_s.mean()) / (from_middle @ from_middle))
    return slope, float(times_s.mean() - slope * index.mean())


def check_rate(axis: TimeAxis, stated_hz: float, what: str) -> None:
    """Raises PlanError when a rate that was stated is not that of the times."""
    if abs(axis.rate_hz / stated_hz - 1.0) > SAME_RATE:
        raise PlanError(
            f"{what} has {axis.rate_hz:.6g} samples/s by its times, not {stated_hz:g} as stated: drop "
            "--rate, or correct --time-unit"
        )
