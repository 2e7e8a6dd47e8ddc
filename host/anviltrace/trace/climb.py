"""How torque climbs: what a held rig keeps after each blow, the peaks, and values at time marks.

Times are in seconds from sample 0 of the record unless stated otherwise. Nothing is extrapolated: what
lies outside the record or outside the blows is NaN, "missing".
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from anviltrace.trace.blows import Blows

Floats = npt.NDArray[np.float64]

FINAL_FROM_S, FINAL_TO_S = 0.05, 0.2
"""The final level is read this long after the last blow (common practice)."""


def at_marks(time_s: npt.ArrayLike, values: npt.ArrayLike, marks_s: npt.ArrayLike) -> Floats:
    """Values at the times ``marks_s``, shape (k,), straight between the points ``time_s``, ``values``.

    ``time_s``, shape (m,), ascends. NaN before the first point and after the last one, and where a point
    next to the mark is NaN itself; no points give NaN.
    """
    times, points = np.asarray(time_s, dtype=np.float64), np.asarray(values, dtype=np.float64)
    marks = np.asarray(marks_s, dtype=np.float64)
    if not times.size:
        return np.full(marks.shape, np.nan)
    return np.asarray(np.interp(marks, times, points, left=np.nan, right=np.nan))


def retained(blows: Blows) -> tuple[Floats, Floats]:
    """Times and levels that a held rig keeps, along the rotation: before the first blow, and after each.

    A level after a blow counts for the middle of the rest behind it; the last one also for as long after
    its blow as it was read. Levels that could not be read are left out.
    """
    if not len(blows):
        return np.empty(0), np.empty(0)
    usual_s = _usual_interval_s(blows)
    rest_s = np.append(blows.start_s[1:], blows.apex_s[-1] + usual_s) - blows.apex_s
    middle_s = blows.apex_s + 0.5 * np.minimum(rest_s, usual_s)
    times = np.concatenate((blows.start_s[:1], middle_s, [blows.apex_s[-1] + usual_s]))
    levels = np.concatenate((blows.level_before[:1], blows.level_after, blows.level_after[-1:]))
    known = np.isfinite(levels) & np.isfinite(times)
    return times[known], levels[known]


def _usual_interval_s(blows: Blows) -> float:
    intervals = np.diff(blows.apex_s)
    return min(float(np.median(intervals)), FINAL_FROM_S) if intervals.size else FINAL_FROM_S


def peaks(blows: Blows) -> tuple[Floats, Floats]:
    """Times and gross peaks of the blows, the upper envelope; the second blow of a double is left out."""
    single = ~blows.double
    return blows.apex_s[single], blows.peak[single]
