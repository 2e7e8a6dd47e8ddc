"""Uncertainty parts of a value, and how they add up (GUM: JCGM 100:2008).

Parts are standard uncertainties of independent causes. They add in squares; the effective degrees of
freedom follow Welch and Satterthwaite (GUM G.4), the coverage factor is Student's t for 95 %. Where
rectangular parts dominate the interval covers somewhat more than 95 %.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass

from anviltrace.calibration.coverage import coverage_factor, effective_dof


@dataclass(frozen=True, slots=True)
class Part:
    """One cause: its standard uncertainty in the unit of the value, and its degrees of freedom.

    ``common`` marks a cause that acts on all runs under the same calibration alike.
    """

    cause: str
    u: float
    dof: float = math.inf
    common: bool = False


@dataclass(frozen=True, slots=True)
class Combined:
    """All parts together: half width of the 95 % interval, degrees of freedom, standard uncertainties."""

    expanded: float
    dof: float
    standard: float
    common: float


def rectangular(cause: str, half_width: float, *, common: bool = False) -> Part:
    """The part of a cause that lies anywhere within ±``half_width``, all alike: half_width/√3."""
    return Part(cause, abs(half_width) / math.sqrt(3.0), common=common)


def combine(parts: Iterable[Part]) -> Combined:
    """Add up independent parts; without any the value is exact."""
    every = list(parts)
    variance = sum(part.u**2 for part in every)
    standard = math.sqrt(variance)
    common = math.sqrt(sum(part.u**2 for part in every if part.common))
    if standard == 0.0:
        return Combined(0.0, math.inf, 0.0, 0.0)
    dof = effective_dof((part.u, part.dof) for part in every)
    return Combined(coverage_factor(dof) * standard, dof, standard, common)
