"""What two results have in common: errors that are the same in both do not show in their difference.

The length of one arm, gravity at one place, the weight of one plate are wrong by the same amount whenever
they are used. How level the arm hung is not: it is fitted anew each time.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence

from anviltrace.calibration.lever import OWN_CENTRE, OWN_MASS
from anviltrace.calibration.line import LineFit
from anviltrace.records import Arm, Calibration, CheckReading, Mass

Source = tuple[str, str]
"""An input in words, and what tells it from others of its name."""


def sources_of_line(fit: LineFit, made: Calibration, masses: Iterable[Mass], arm: Arm) -> dict[Source, float]:
    """Relative standard uncertainty of a line from each input that may be used again."""
    parts = {part.source: part.u_relative for part in fit.contributions}
    return repeatable(parts, made, masses, arm)


def repeatable(
    parts: Mapping[str, float], made: Calibration | CheckReading, masses: Iterable[Mass], arm: Arm
) -> dict[Source, float]:
    """Of the ``parts`` of a relative standard uncertainty, by source, those that may be met again."""
    names = {"arm length": arm.id, OWN_MASS: arm.id, OWN_CENTRE: arm.id}
    names |= {"gravity": f"{made.gravity_m_per_s2!r} {made.gravity_source}"}
    for mass in masses:
        names |= {f"{what} of {mass.name}": mass.id for what in ("mass", "density")}
    return {(source, names[source]): u for source, u in parts.items() if source in names and u > 0.0}


def difference_u(
    one_u: float, other_u: float, one: Mapping[Source, float], other: Mapping[Source, float]
) -> float:
    """Standard uncertainty of the difference of two results, less what is the same in both.

    The variance of a difference with a correlation of 1 between shared inputs (GUM 5.2.2), which act on
    both results the same way round. All uncertainties here are relative to the same value.
    """
    common = math.fsum(one[source] * other[source] for source in in_common(one, other))
    return math.sqrt(max(0.0, one_u**2 + other_u**2 - 2.0 * common))


def in_common(one: Mapping[Source, float], other: Mapping[Source, float]) -> Sequence[Source]:
    """The inputs that both results use, largest first."""
    return sorted(one.keys() & other.keys(), key=lambda source: (-other[source], source))
