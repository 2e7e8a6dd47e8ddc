"""From the times of samples to an even grid: the rate, and where samples are missing."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from anviltrace.errors import PlanError

Numbers = npt.NDArray[np.float64]

OFF_GRID = 0.25
"""Share of the sampling interval by which a sample may lie off the grid; more is no even sampling."""
MOST_MISSING = 0.75
"""Share of the samples between first and last that may be missing: with more, it is several records."""
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
    intervals between neighbours leaves out samples. Raises PlanError when times do not rise, lie further
    off the grid than a quarter of the interval, or most of them are missing.
    """
    if len(times_s) < 3:
        raise PlanError(f"{what} holds {len(times_s)} samples: 3 are the least that show a rate")
    _must_rise(times_s, what)
    steps = np.diff(times_s)
    usual_s = float(np.median(steps))
    interval_s = float(np.mean(steps[np.rint(steps / usual_s) == 1.0]))  # the median bears rounded digits
    _must_be_one_record(times_s, interval_s, what)
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


def _must_rise(times_s: Numbers, what: str) -> None:
    if not np.all(np.isfinite(times_s)):
        row = int(np.argmin(np.isfinite(times_s))) + 1
        raise PlanError(f"{what}: sample {row} has no time: give it one, or leave out that row")
    rises = np.diff(times_s) > 0.0
    if np.all(rises):
        return
    row = int(np.argmin(rises)) + 1
    before, after = times_s[row - 1 : row + 1]
    if after < before:
        raise PlanError(
            f"{what}: the time jumps back from {before:.9g} s at sample {row} to {after:.9g} s at the next: "
            "export one record, its samples in order"
        )
    raise PlanError(
        f"{what}: samples {row} and {row + 1} have the same time, {after:.9g} s: its digits may be too few, "
        "so export more, or a row stands there twice"
    )


def _must_be_one_record(times_s: Numbers, interval_s: float, what: str) -> None:
    whole = (times_s[-1] - times_s[0]) / interval_s + 1.0
    if len(times_s) < (1.0 - MOST_MISSING) * whole:
        row = int(np.argmax(np.diff(times_s)))
        least = 100.0 - 100.0 * MOST_MISSING
        raise PlanError(
            f"{what} holds {len(times_s)} of {whole:.6g} samples (at least {least:.0f} % are needed); the "
            f"longest gap is from {times_s[row]:.9g} to {times_s[row + 1]:.9g} s: bring in each part as a "
            "file of its own"
        )


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
