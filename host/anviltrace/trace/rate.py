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

MISSED_ABOVE = 1.5
DOUBLE_BELOW = 0.5
RUNNING = 11


@dataclass(frozen=True, slots=True)
class Rate:
    """Rate of blows per second. NaN below two intervals (``per_s``) or below one (``mean_per_s``).

    ``per_s`` from the median of the normal intervals, ``mean_per_s`` from the time between first and last
    blow; ``sd_s`` is the standard deviation of the normal intervals. ``missed`` and ``doubles`` count.
    """

    per_s: float
    mean_per_s: float
    sd_s: float
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
    single = times[~second]
    intervals, _ = _intervals(single, None if piece is None else np.asarray(piece)[~second])
    usual = _running_median(intervals)
    long = intervals > MISSED_ABOVE * usual
    missed = int(np.sum(np.rint(intervals[long] / usual[long]) - 1.0))
    normal = intervals[~long]
    return Rate(
        per_s=1.0 / float(np.median(normal)) if normal.size >= 2 else float("nan"),
        mean_per_s=intervals.size / float(intervals.sum()) if intervals.size else float("nan"),
        sd_s=float(np.std(normal, ddof=1)) if normal.size >= 2 else float("nan"),
        missed=missed,
        doubles=int(second.sum()),
    )


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
