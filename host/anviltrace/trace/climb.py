"""How torque climbs: what a held rig keeps after each blow, the peaks, and values at time marks.

Times are in seconds from sample 0 of the record unless stated otherwise. Nothing is extrapolated: what
lies outside the record or outside the blows is NaN, "missing". Models of the climb: ``climbmodels``.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from anviltrace.trace.blows import Blows
from anviltrace.trace.rate import missing_between

Floats = npt.NDArray[np.float64]
Flags = npt.NDArray[np.bool_]

FINAL_FROM_S, FINAL_TO_S = 0.05, 0.2
"""The final level is read this long after the last blow (common practice)."""
LOW_SHARE, HIGH_SHARE = 0.1, 0.9
"""The part of a climb whose straightness is told, as shares of the last level (common practice)."""
PLATEAU_SHARE, PLATEAU_S = 1.0 / 3.0, 2.0
"""The end of a climb that may be a plateau: this share of it, but no more than so many seconds."""
LEAST_LEVELS = 5
"""Levels that a straight line needs at least."""
_MOST_ALIKE = 0.95


@dataclass(frozen=True, slots=True)
class Line:
    """A straight line through levels: ``slope`` per second with its standard error, ``mean`` of the levels.

    ``dof`` are the degrees of freedom that the standard error stands on: fewer than the levels where
    neighbours are alike. ``largest`` is the largest departure from the line, ``r_squared`` the share of the
    levels' variance that it explains.
    """

    slope: float
    slope_se: float
    mean: float
    dof: float
    largest: float
    r_squared: float


@dataclass(frozen=True, slots=True)
class Envelope:
    """A line through points, straight between them, shape (m,).

    ``bridged``, shape (m − 1,), marks stretches in which a blow seems missed or samples are: what is read
    there is no more than a guess between its ends.
    """

    time_s: Floats
    value: Floats
    bridged: Flags

    def bridged_at(self, at_s: float) -> bool:
        """Whether a time lies in such a stretch."""
        place = int(np.searchsorted(self.time_s, at_s)) - 1
        return 0 <= place < self.bridged.size and bool(self.bridged[place])


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


def first_reach_s(time_s: npt.ArrayLike, values: npt.ArrayLike, target: float) -> float:
    """First time at which the values reach ``target``, straight between the points; NaN where they never do.

    A first point that is there already gives its own time.
    """
    times, points = np.asarray(time_s, dtype=np.float64), np.asarray(values, dtype=np.float64)
    reached = np.flatnonzero(points >= target)
    if not reached.size:
        return math.nan
    after = int(reached[0])
    if after == 0:
        return float(times[0])
    share = (target - points[after - 1]) / (points[after] - points[after - 1])
    return float(times[after - 1] + share * (times[after] - times[after - 1]))


def retained(blows: Blows) -> tuple[Floats, Floats]:
    """Times and levels that a held rig keeps, along the rotation: before the first blow, and after each.

    A level after a blow counts for the middle of the rest behind it; the last one also for as long after
    its blow as it was read. Levels that could not be read are left out, and those between the strikes of a
    double, where there is hardly a rest.
    """
    if not len(blows):
        return np.empty(0), np.empty(0)
    usual_s = _usual_interval_s(blows)
    rest_s = np.append(blows.start_s[1:], blows.apex_s[-1] + usual_s) - blows.apex_s
    middle_s = blows.apex_s + 0.5 * np.minimum(rest_s, usual_s)
    times = np.concatenate((blows.start_s[:1], middle_s, [blows.apex_s[-1] + usual_s]))
    after = _between_blows(blows)
    levels = np.concatenate((blows.level_before[:1], after, after[-1:]))
    known = np.isfinite(levels) & np.isfinite(times)
    return times[known], levels[known]


def _usual_interval_s(blows: Blows) -> float:
    intervals = np.diff(blows.apex_s)
    return min(float(np.median(intervals)), FINAL_FROM_S) if intervals.size else FINAL_FROM_S


def levels_after(blows: Blows) -> tuple[Floats, Floats]:
    """Times of the blows, and the level after each, along the rotation; left out as in :func:`retained`."""
    levels = _between_blows(blows)
    known = np.isfinite(levels) & np.isfinite(blows.apex_s)
    return blows.apex_s[known], levels[known]


def _between_blows(blows: Blows) -> Floats:
    """The level after each blow; NaN between the strikes of a double."""
    return np.where(np.append(blows.double[1:], False), np.nan, blows.level_after)


def peaks(blows: Blows) -> tuple[Floats, Floats]:
    """Times and gross peaks of the blows, the upper envelope; the second blow of a double is left out."""
    single = ~blows.double
    return blows.apex_s[single], blows.peak[single]


def upper_envelope(blows: Blows) -> Envelope:
    """Through the peaks; a stretch in which a blow seems missed, or with a gap, is marked."""
    times, values = peaks(blows)
    return Envelope(times, values, _bridged(blows, times))


def lower_envelope(blows: Blows) -> Envelope:
    """Through the levels of :func:`retained`, marked as the upper one."""
    times, values = retained(blows)
    return Envelope(times, values, _bridged(blows, times))


def _bridged(blows: Blows, times_s: Floats) -> Flags:
    """For each stretch between ``times_s`` whether it overlaps an interval that lacks a blow or samples.

    A level lies in the middle of a rest, so both stretches around it overlap the rest.
    """
    single = ~blows.double
    apex_s, piece = blows.apex_s[single], blows.piece[single]
    lacking = (missing_between(apex_s, piece) > 0) | (np.diff(piece) != 0)
    from_s, to_s = apex_s[:-1][lacking], apex_s[1:][lacking]
    first, last = times_s[:-1, np.newaxis], times_s[1:, np.newaxis]
    return np.asarray(((first < to_s) & (last > from_s)).any(axis=1))


def straight_line(time_s: npt.ArrayLike, values: npt.ArrayLike) -> Line:
    """Least squares through points, shape (m,), at least :data:`LEAST_LEVELS`, else ValueError.

    Residuals of a climb go together from blow to blow: a strong blow lifts all levels after it. So the
    standard error is that of independent ones times sqrt((1 + r)/(1 − r)), r their correlation with their
    neighbours: see :func:`togetherness`. A bow of the points is no scatter of their mean slope, so a parabola
    is taken out of the residuals for it.
    """
    times, points = np.asarray(time_s, dtype=np.float64), np.asarray(values, dtype=np.float64)
    if times.size < LEAST_LEVELS:
        raise ValueError(f"{times.size} levels make no line; at least {LEAST_LEVELS} are needed")
    centred, mean = times - times.mean(), float(points.mean())
    slope = float(centred @ points) / float(centred @ centred)
    residual = points - mean - slope * centred
    bow = np.square(centred) - np.mean(np.square(centred))
    bow -= centred * (float(bow @ centred) / float(centred @ centred))
    scatter = residual - bow * (float(bow @ residual) / float(bow @ bow))
    together, dof = togetherness(scatter, 3)
    variance = float(scatter @ scatter) / (times.size - 3) * together
    total = float(np.sum(np.square(points - mean)))
    return Line(
        slope=slope,
        slope_se=math.sqrt(variance / float(centred @ centred)),
        mean=mean,
        dof=dof,
        largest=float(np.max(np.abs(residual))),
        r_squared=1.0 - float(residual @ residual) / total if total > 0.0 else math.nan,
    )


def togetherness(residual: Floats, parameters: int) -> tuple[float, float]:
    """By how much residuals in order widen variances, at least 1, and the degrees of freedom they leave.

    For residuals of a first-order process with the correlation r of neighbours a variance of slow parameters
    is (1 + r)/(1 − r) times as large, and their own variance is known as from m·(1 − r²)/(1 + r²) independent
    ones (from memory). Residuals of a model with so many parameters show r too small by about
    (parameters + 3·r)/m.
    """
    square = float(residual @ residual)
    seen = float(residual[1:] @ residual[:-1]) / square if square > 0.0 else -1.0
    alike = min(max(seen + (parameters + 3.0 * max(seen, 0.0)) / residual.size, 0.0), _MOST_ALIKE)
    dof = residual.size * (1.0 - alike**2) / (1.0 + alike**2) - parameters
    return (1.0 + alike) / (1.0 - alike), max(1.0, dof)


def rising_part(levels: Floats, above: float = 0.0) -> slice:
    """The levels from the first above 10 % to the last before 90 % of the last one, which is positive.

    With ``above`` both limits lie so much higher; no levels where none reaches them.
    """
    low = np.flatnonzero(levels >= LOW_SHARE * levels[-1] + above)
    high = np.flatnonzero(levels >= HIGH_SHARE * levels[-1] + above)
    return slice(int(low[0]), int(high[0]) + 1) if low.size and high.size else slice(0, 0)


def plateau_part(time_s: Floats) -> slice:
    """The last third of the times, no more than the last 2 s."""
    length_s = min(PLATEAU_SHARE * float(time_s[-1] - time_s[0]), PLATEAU_S)
    return slice(int(np.searchsorted(time_s, time_s[-1] - length_s)), time_s.size)
