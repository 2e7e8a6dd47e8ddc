"""Which class of static torque calibration the quantities would support: indicative only.

The limits are those of the classification table of DIN 51309:2005 and EURAMET cg-14 FROM MEMORY, not checked
against the standards, whose later editions differ. Nothing here is a classification by a standard.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from anviltrace.calibration.budget import Case
from anviltrace.calibration.quantities import Quantities

WARNING = "indicative only: limits from memory, not checked against a standard"

_LIMITS: Mapping[str, Mapping[str, float]] = {
    "0.05": {"b'": 0.025, "b": 0.05, "fa": 0.025, "f0": 0.0125, "h": 0.063, "W": 0.01},
    "0.1": {"b'": 0.05, "b": 0.1, "fa": 0.05, "f0": 0.025, "h": 0.125, "W": 0.02},
    "0.2": {"b'": 0.1, "b": 0.2, "fa": 0.1, "f0": 0.05, "h": 0.25, "W": 0.04},
    "0.5": {"b'": 0.25, "b": 0.5, "fa": 0.25, "f0": 0.125, "h": 0.63, "W": 0.1},
    "1": {"b'": 0.5, "b": 1.0, "fa": 0.5, "f0": 0.25, "h": 1.25, "W": 0.2},
    "2": {"b'": 1.0, "b": 2.0, "fa": 1.0, "f0": 0.5, "h": 2.5, "W": 0.4},
    "5": {"b'": 2.5, "b": 5.0, "fa": 2.5, "f0": 1.25, "h": 6.25, "W": 1.0},
}
"""Percent. W is the expanded uncertainty (k = 2) of the reference torque."""


@dataclass(frozen=True, slots=True)
class IndicativeClass:
    """The narrowest class for each quantity, None beyond the widest; ``overall`` None with a reason."""

    case: Case
    by_quantity: Mapping[str, str | None]
    overall: str | None
    why_none: str


def indicate(found: Quantities, case: Case, reference_percent: float | None) -> IndicativeClass:
    """The class that every quantity of the range stays within.

    ``reference_percent`` is the largest expanded uncertainty (k = 2) of a reference torque, None to leave it
    out. The departure fa is that from a cubic for rising torque, from a straight line with hysteresis.
    """
    rising = case is Case.RISING
    worst = {
        "b'": found.worst_percent("repeatability_percent"),
        "b": found.worst_percent("reproducibility_percent"),
        "fa": found.worst_percent("cubic_percent" if rising else "line_both_percent"),
        "f0": found.worst_zero_return_percent,
    }
    if not rising:
        worst["h"] = found.worst_percent("reversibility_percent")
    if reference_percent is not None:
        worst["W"] = reference_percent
    narrowest = {symbol: _narrowest(symbol, value) for symbol, value in worst.items() if value is not None}
    why = _why_none(worst, narrowest)
    return IndicativeClass(case, narrowest, None if why else _widest(narrowest), why)


def _narrowest(symbol: str, percent: float) -> str | None:
    return next((name for name, limits in _LIMITS.items() if percent <= limits[symbol]), None)


def _widest(narrowest: Mapping[str, str | None]) -> str:
    return max((name for name in narrowest.values() if name is not None), key=float)


def _why_none(worst: Mapping[str, float | None], narrowest: Mapping[str, str | None]) -> str:
    unknown = [symbol for symbol, value in worst.items() if value is None]
    if unknown:
        return f"no class without {', '.join(unknown)}: the plan was too short to show it"
    beyond = [symbol for symbol, name in narrowest.items() if name is None]
    return f"beyond class 5 by {', '.join(beyond)}" if beyond else ""
