"""Counts to torque, through a slope for each sign of torque."""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]


def net_torque_nm(
    counts: npt.ArrayLike, zero_counts: float, positive_counts_per_nm: float, negative_counts_per_nm: float
) -> Floats:
    """Torque in N·m, clockwise positive, same shape as ``counts``.

    Net counts (``counts`` less ``zero_counts``) are divided by the slope of the side they lie on; the two
    sides are calibrated apart. Both slopes carry the sign of the bridge, so they have the same sign: a
    negative one is a bridge wired the other way round. Slopes that are zero, not finite or of different
    signs raise ValueError.
    """
    _check_slopes(positive_counts_per_nm, negative_counts_per_nm)
    net = np.asarray(np.asarray(counts, dtype=np.float64) - zero_counts)
    if positive_counts_per_nm == negative_counts_per_nm:
        return np.divide(net, positive_counts_per_nm, out=net)
    clockwise = net >= 0.0 if positive_counts_per_nm > 0.0 else net <= 0.0
    np.divide(net, positive_counts_per_nm, out=net, where=clockwise)
    return np.divide(net, negative_counts_per_nm, out=net, where=~clockwise)


def _check_slopes(positive: float, negative: float) -> None:
    for slope in (positive, negative):
        if not math.isfinite(slope) or slope == 0.0:
            raise ValueError(f"a slope of {slope} counts per N·m converts nothing; it must be finite, not 0")
    if (positive > 0.0) is not (negative > 0.0):
        raise ValueError(
            f"slopes of {positive:g} and {negative:g} counts per N·m point to opposite wirings of the bridge;"
            " both must have the same sign"
        )
