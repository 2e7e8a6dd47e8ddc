"""Which class of static torque calibration the quantities would support: indicative only.

The limits are those of the classification table of DIN 51309:2005 and EURAMET cg-14 FROM MEMORY, not checked
against the standards, whose later editions differ. Nothing here is a classification by a standard. The rule
by which a quantity near its limit is taken is named with the class: simple acceptance unless asked otherwise,
as such tables are commonly read (common practice).
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from anviltrace.calibration.budget import Case
from anviltrace.calibration.conformity import DecisionRule, Limits
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


Known = tuple[float, float]
"""A quantity in percent and its standard uncertainty."""


@dataclass(frozen=True, slots=True)
class IndicativeClass:
    """The narrowest class for each quantity, None beyond the widest; ``overall`` None with a reason.

    ``conform`` is for each quantity the probability that it keeps the limit of its class, at the load where
    that is least; W, a limit itself, has none.
    """

    case: Case
    by_quantity: Mapping[str, str | None]
    overall: str | None
    why_none: str
    rule: DecisionRule = DecisionRule.SIMPLE
    conform: Mapping[str, float] = field(default_factory=dict)

    def each(self) -> list[str]:
        """Every quantity with its class and the probability of conformity, in words."""
        return [
            f"{symbol} {name or 'beyond 5'}"
            + (f" ({self.conform[symbol]:.3f})" if symbol in self.conform else "")
            for symbol, name in self.by_quantity.items()
        ]


def indicate(
    found: Quantities,
    case: Case,
    reference_percent: float | None,
    rule: DecisionRule = DecisionRule.SIMPLE,
    fit_u_percent: Sequence[float] | None = None,
) -> IndicativeClass:
    """The class that every quantity of the range stays within, by a decision rule.

    ``reference_percent`` is the largest expanded uncertainty (k = 2) of a reference torque, None to leave it
    out; it is a limit itself and has no uncertainty. The departure fa is that from a cubic for rising
    torque, from a straight line with hysteresis; ``fit_u_percent`` is what the reference torques leave open
    in it, for each load. Everything else is a difference of readings, known to their resolution.
    """
    judged = _judged(found, case, fit_u_percent)
    if reference_percent is not None:
        judged["W"] = [(reference_percent, 0.0)]
    narrowest = {symbol: _narrowest(symbol, values, rule) for symbol, values in judged.items() if values}
    why = _why_none(judged, narrowest)
    conform = {
        symbol: min(Limits(upper=_LIMITS[name][symbol]).probability(*value) for value in judged[symbol])
        for symbol, name in narrowest.items()
        if name is not None and symbol != "W"
    }
    return IndicativeClass(case, narrowest, None if why else _widest(narrowest), why, rule, conform)


def _judged(found: Quantities, case: Case, fit_u: Sequence[float] | None) -> dict[str, list[Known]]:
    """Magnitudes of the quantities at each load (f0: in each series); empty where the plan shows none.

    An indication is the difference of two readings, rectangular over the resolution r each: u = r/√6.
    """
    rising = case is Case.RISING
    of_x = [100.0 * found.resolution_counts / math.sqrt(6.0) / abs(one.mean_counts) for one in found.levels]
    of_two = [math.sqrt(2.0) * u for u in of_x]
    of_fit = of_x if fit_u is None else [math.hypot(u, v) for u, v in zip(of_x, fit_u, strict=True)]
    judged = {
        "b'": _at_loads(found, "repeatability_percent", of_two),
        "b": _at_loads(found, "reproducibility_percent", of_two),
        "fa": _at_loads(found, "cubic_percent" if rising else "line_both_percent", of_fit),
        "f0": [(abs(percent), of_x[-1]) for percent in found.zero_return_percent.values()],
    }
    return judged if rising else judged | {"h": _at_loads(found, "reversibility_percent", of_two)}


def _at_loads(found: Quantities, name: str, u_percent: Sequence[float]) -> list[Known]:
    values = ((getattr(level, name), u) for level, u in zip(found.levels, u_percent, strict=True))
    return [(abs(value), u) for value, u in values if value is not None]


def _narrowest(symbol: str, values: Sequence[Known], rule: DecisionRule) -> str | None:
    for name, limits in _LIMITS.items():
        if all(Limits(upper=limits[symbol]).accepts(value, u, rule) for value, u in values):
            return name
    return None


def _widest(narrowest: Mapping[str, str | None]) -> str:
    return max((name for name in narrowest.values() if name is not None), key=float)


def _why_none(judged: Mapping[str, Sequence[Known]], narrowest: Mapping[str, str | None]) -> str:
    unknown = [symbol for symbol, values in judged.items() if not values]
    if unknown:
        return f"no class without {', '.join(unknown)}: the plan was too short to show it"
    beyond = [symbol for symbol, name in narrowest.items() if name is None]
    return f"beyond class 5 by {', '.join(beyond)}" if beyond else ""
