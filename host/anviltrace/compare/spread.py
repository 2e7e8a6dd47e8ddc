"""Spread of repeats: mean, standard deviation, t and tolerance interval, bias of a best of n. Pure numbers.

The interval of a mean is GUM 4.2 with the t factor of its annex G; the largest of n normal values is
expected c_n standard deviations above their mean (order statistics: c_n is half the control chart
constant d_2 for n = 2 and 3, and is computed here for any n).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

from anviltrace.calibration.coverage import coverage_factor, tolerance_factor


@dataclass(frozen=True, slots=True)
class Spread:
    """What n repeats come to, in the unit of the values.

    ``sd`` is the sample standard deviation and ``interval`` the half width of the 95 % t interval of the
    mean; both are None for a single value, which has no spread. ``best`` is the largest value.
    """

    n: int
    mean: float
    sd: float | None
    interval: float | None
    best: float

    @property
    def tolerance(self) -> float | None:
        """Half width about the mean in which 95 % of single values lie, with 95 % confidence: k · s."""
        return None if self.sd is None else tolerance_factor(self.n) * self.sd

    @property
    def best_bias(self) -> float | None:
        """By how much the best of n is expected to exceed the mean by chance alone: c_n · s."""
        return None if self.sd is None else best_of_n_factor(self.n) * self.sd


def spread(values: Sequence[float]) -> Spread:
    """Mean and spread of the values.

    Raises:
        ValueError: there is no value, or one is NaN or infinite.
    """
    if not values or not all(map(math.isfinite, values)):
        raise ValueError(f"no mean of {list(values)}: give at least one value, all finite")
    n = len(values)
    mean = math.fsum(values) / n
    if n == 1:
        return Spread(1, mean, None, None, values[0])
    sd = math.sqrt(math.fsum((value - mean) ** 2 for value in values) / (n - 1))
    return Spread(n, mean, sd, coverage_factor(n - 1) * sd / math.sqrt(n), max(values))


@lru_cache
def best_of_n_factor(n: int) -> float:
    """c_n: the expected largest of n independent standard normal values.

    The integral of x · n φ(x) Φ(x)^(n-1), by the trapezoidal rule, which for this smooth integrand is
    exact to rounding.

    Raises:
        ValueError: n is below 1.
    """
    import numpy as np
    from scipy.special import ndtr

    if n < 1:
        raise ValueError(f"a best of {n} does not exist: n is at least 1")
    x = np.linspace(-12.0, 12.0, 4801)
    density = n * np.exp(-x * x / 2.0) / math.sqrt(2.0 * math.pi) * ndtr(x) ** (n - 1)
    return float(np.sum(x * density) * (x[1] - x[0])) if n > 1 else 0.0
