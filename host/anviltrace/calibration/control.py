"""Control chart of single values and of moving ranges: does the latest check go with those before it?

Limits: mean ± 2.66 times the mean moving range for the values, 3.267 times it for the ranges (3/d2 with
d2 = 1.128, and D4, for ranges of two values: NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.2, from
memory). The latest value is held against limits from those before it, so that it does not widen them.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from anviltrace.calibration.coverage import tolerance_factor

VALUES_FACTOR = 3.0 / 1.128
RANGES_FACTOR = 3.267
ENOUGH = 8
"""Earlier values from which limits are more than provisional; also the length of a run on one side."""


@dataclass(frozen=True, slots=True)
class Limits:
    """Mean and limits of values, mean and upper limit of moving ranges, in the unit of the values.

    ``holds`` is the half width about the mean in which 95 % of all such values lie, with 95 % confidence: a
    tolerance interval from their standard deviation, where the limits rest on moving ranges.
    """

    mean: float
    lower: float
    upper: float
    range_mean: float
    range_upper: float
    holds: float


@dataclass(frozen=True, slots=True)
class Chart:
    """The latest value beside limits from the ``earlier`` values before it (None for less than two).

    ``signals`` says in words what is out of control, ``cannot_tell`` what too few values leave open.
    """

    earlier: int
    limits: Limits | None
    signals: tuple[str, ...]
    cannot_tell: tuple[str, ...]


def control_limits(values: Sequence[float]) -> Limits:
    """Limits from two values at least, in the order they were taken; raises ValueError for less."""
    if len(values) < 2:
        raise ValueError(f"{len(values)} values: a moving range needs two at least")
    mean, spread = float(np.mean(values)), float(np.mean(np.abs(np.diff(values))))
    reach = VALUES_FACTOR * spread
    holds = tolerance_factor(len(values)) * float(np.std(values, ddof=1))
    return Limits(mean, mean - reach, mean + reach, spread, RANGES_FACTOR * spread, holds)


def control_chart(values: Sequence[float]) -> Chart:
    """Hold the latest of ``values``, given in the order they were taken, against those before it.

    Raises ValueError when there is none.
    """
    if not values:
        raise ValueError("no values: a control chart needs one at least")
    *earlier, latest = values
    limits = control_limits(earlier) if len(earlier) >= 2 else None
    if limits is None or len(earlier) < ENOUGH:
        return Chart(len(earlier), limits, (), (_too_few(len(earlier)),))
    return Chart(len(earlier), limits, tuple(_signals(earlier, latest, limits)), ())


def _too_few(earlier: int) -> str:
    what = "limits are provisional" if earlier >= 2 else "there are no limits"
    checks = "1 check" if earlier == 1 else f"{earlier} checks"
    return (
        f"{checks} of this kind before: {what}, and whether this one is out of control is not judged "
        f"(it takes {ENOUGH} before it)"
    )


def _signals(earlier: Sequence[float], latest: float, limits: Limits) -> list[str]:
    found = []
    if not limits.lower <= latest <= limits.upper:
        found.append("it lies outside the limits")
    if abs(latest - earlier[-1]) > limits.range_upper:
        found.append("it moved further from the check before than checks do")
    sides = np.sign(np.array([*earlier, latest])[-ENOUGH:] - limits.mean)
    if abs(sides.sum()) == ENOUGH:
        found.append(f"the last {ENOUGH} checks lie on one side of the mean: the rig drifts")
    return found
