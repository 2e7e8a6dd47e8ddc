"""How often a tool strikes: intervals between blows, missed and double ones.

Definitions (common practice): an interval above 1.5 times the running median of 11 hides missed blows, one
below half of it makes a double; a double counts once. The rate is one over the median of the intervals
that are neither; the mean rate counts the time of the missed blows as well.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.ndimage import median_filter

Floats = npt.NDArray[np.float64]
Flags = npt.NDArray[np.bool_]
Counts = npt.NDArray[np.int64]

MISSED_ABOVE = 1.5
DOUBLE_BELOW = 0.5
RUNNING = 11


@dataclass(frozen=True, slots=True)
class Rate:
    """Rate of blows per second. NaN below two intervals (``per_s``) or below one (``mean_per_s``).

    ``per_s`` from the median of the normal intervals, ``mean_per_s`` from the time between first and last
    blow; ``sd_s`` is the standard deviation of the ``normal`` intervals and ``cv`` that over their mean.
    ``missed`` and ``doubles`` count, ``intervals`` are those between blows without doubles.
    """

    per_s: float
    mean_per_s: float
    sd_s: float
    cv: float
    intervals: int
    normal: int
    missed: int
    doubles: int


def doubles(apex_s: npt.ArrayLike, piece: npt.ArrayLike | None = None) -> Flags:
    """Whether each blow is the second of a double, shape (m,) like the times ``apex_s``.

    ``piece`` numbers the stretches between gaps: nothing is said across one.
    """
    times = np.asarray(apex_s, dtype=np.float64)
    intervals, kept = _intervals(times, piece)
    flags = np.zeros(times.size, dtype=np.bool_)
    flags[1:][kept] = intervals < DOUBLE_BELOW * _running_median(intervals)
    return flags


def blow_rate(apex_s: npt.ArrayLike, piece: npt.ArrayLike | None = None) -> Rate:
    """Rate of the blows whose apexes fall at ``apex_s``, shape (m,), seconds, ascending."""
    times = np.asarray(apex_s, dtype=np.float64)
    second = doubles(times, piece)
    intervals, _ = _intervals(times[~second], None if piece is None else np.asarray(piece)[~second])
    missing = _missing(intervals)
    normal = intervals[missing == 0]
    sd_s = float(np.std(normal, ddof=1)) if normal.size >= 2 else float("nan")
    return Rate(
        per_s=1.0 / float(np.median(normal)) if normal.size >= 2 else float("nan"),
        mean_per_s=intervals.size / float(intervals.sum()) if intervals.size else float("nan"),
        sd_s=sd_s,
        cv=sd_s / float(normal.mean()) if normal.size >= 2 else float("nan"),
        intervals=intervals.size,
        normal=normal.size,
        missed=int(missing.sum()),
        doubles=int(second.sum()),
    )


def missing_between(apex_s: npt.ArrayLike, piece: npt.ArrayLike | None = None) -> Counts:
    """How many blows seem missed in each interval between blows at ``apex_s``, shape (m − 1,).

    The times are those of single blows, doubles left out. Nothing is said across a gap: 0.
    """
    intervals, kept = _intervals(np.asarray(apex_s, dtype=np.float64), piece)
    found = np.zeros(kept.size, dtype=np.int64)
    found[kept] = _missing(intervals)
    return found


def _missing(intervals_s: Floats) -> Counts:
    usual = _running_median(intervals_s)
    longer = intervals_s > MISSED_ABOVE * usual
    return np.where(longer, np.rint(intervals_s / np.where(longer, usual, 1.0)) - 1.0, 0.0).astype(np.int64)


def _intervals(times_s: Floats, piece: npt.ArrayLike | None) -> tuple[Floats, Flags]:
    """Intervals within pieces, and which of all the intervals these are, shape (m − 1,)."""
    intervals = np.diff(times_s)
    kept = np.ones(intervals.size, dtype=np.bool_)
    if piece is not None:
        kept = np.diff(np.asarray(piece)) == 0
    return intervals[kept], kept


def _running_median(intervals_s: Floats) -> Floats:
    """Median of :data:`RUNNING` intervals around each, mirrored at the ends."""
    if not intervals_s.size:
        return intervals_s
    return np.asarray(median_filter(intervals_s, size=RUNNING, mode="reflect"))
