"""What readings depart from their line by beyond what the uncertainty of the reference torques accounts for.

What is wrong with each weight turns the line, which the slope's uncertainty holds, and shows in the distances
from the line as well. Taken for the transducer's own departure it would count twice. So of the distances'
squares, summed over the loads, the variance is taken off that the reference torques are expected to give
them; what is left, in proportion, is the transducer's. Chance may leave nothing. Differences between readings
at one load are no weight's doing, and nothing is ever taken off them.
"""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

Numbers = npt.NDArray[np.float64]


def distance_variance_nm2(torque_nm: Numbers, covariance_nm2: Numbers, powers: tuple[int, ...]) -> Numbers:
    """Variance that the loads' covariance gives their distances from a curve fitted to them, shape (loads,).

    ``covariance_nm2``, shape (loads, loads), is in the order of ``torque_nm``; the curve has these powers. An
    error that all loads share in proportion turns the curve and shows in no distance from it.
    """
    scale = float(np.abs(torque_nm).max())
    q, _ = np.linalg.qr(np.column_stack([(torque_nm / scale) ** power for power in powers]))
    left = np.eye(len(torque_nm)) - q @ q.T
    return np.asarray(np.maximum(np.diag(left @ covariance_nm2 @ left.T), 0.0))


def share_beyond(distance_nm: npt.ArrayLike, variance_nm2: npt.ArrayLike) -> float:
    """By what the loads' distances from a line are to be multiplied, from 0 to 1; arrays of equal length.

    √(1 − Σu²/Σd²): their root mean square once the variance u² that is expected of them is taken off.
    """
    seen, expected = float(np.sum(np.square(distance_nm))), float(np.sum(variance_nm2))
    return math.sqrt(1.0 - expected / seen) if seen > expected else 0.0
