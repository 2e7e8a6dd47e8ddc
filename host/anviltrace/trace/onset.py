"""The onset where blows cannot be resolved: the first sample at which the tool is seen to act."""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

SIGMAS = 5.0
LOOK_AHEAD, NEEDED = 5, 3


def onset_s(
    values: npt.ArrayLike,
    rate_hz: float,
    level: float,
    noise_sd: float,
    floor: float = 0.0,
    rotation: int = 1,
    first_index: int = 0,
) -> float:
    """Time of the onset in seconds from sample 0 of the record, NaN where there is none.

    ``values``: shape (n,), a contiguous piece whose first is sample ``first_index``; ``level``,
    ``noise_sd`` (of the quiet stretch before the drive) and ``floor`` in their unit. The rule (common
    practice): the first value above the level by the larger of 5 standard deviations and ``floor`` (2 % of
    the range) that stays above half of that for at least 3 of the next 5; then back to the last one within
    1 standard deviation of the level. Departures along the rotation count.
    """
    departure = rotation * (np.asarray(values, dtype=np.float64) - level)
    least = max(SIGMAS * noise_sd, floor)
    for index in np.flatnonzero(departure > least).tolist():
        following = departure[index + 1 : index + 1 + LOOK_AHEAD]
        if np.count_nonzero(following > 0.5 * least) >= NEEDED:
            quiet = np.flatnonzero(departure[:index] <= noise_sd)
            start = int(quiet[-1]) + 1 if quiet.size else index
            return (first_index + start) / rate_hz
    return math.nan
