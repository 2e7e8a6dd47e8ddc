"""Whether a measured value keeps a limit: decision rules by name, and the probability that it does.

The value is taken as normally distributed about its estimate (JCGM 106:2012, 7 and 8; read from memory, as
are the guard bands of ILAC-G8:09/2019). A probability of conformity is computed for any result; an accepted
one at the acceptance limit is wrong with a probability of up to 50 % by simple acceptance, and of 2.3 % by a
guard band of U = 2u.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from scipy.special import ndtr

RULE_NAMES = ("simple", "guard-band")
"""What a user calls the rules, in the order of :class:`DecisionRule`."""
GUARD_K = 2.0
"""A guard band of U is this many standard uncertainties wide."""


class DecisionRule(StrEnum):
    """How a result near a limit is taken."""

    SIMPLE = "simple acceptance"
    GUARDED = "guard band w = U"

    @property
    def meaning(self) -> str:
        """What it does, in words."""
        if self is DecisionRule.GUARDED:
            return (
                "a quantity must stay within its limit by its expanded uncertainty (k = 2), so that at most "
                "2.3 % of what is accepted right there lies beyond the limit"
            )
        return (
            "each quantity as it was found against its limit, without an allowance for how well it is known"
        )

    def guard(self, u: float) -> float:
        """How far within a limit a value must lie, for its standard uncertainty; both in its unit."""
        return GUARD_K * u if self is DecisionRule.GUARDED else 0.0


def find_rule(name: str) -> DecisionRule:
    """The rule with one of :data:`RULE_NAMES`; raises ValueError for another name."""
    return list(DecisionRule)[RULE_NAMES.index(name)]


@dataclass(frozen=True, slots=True)
class Limits:
    """What a true value is to lie between; None: no limit on that side."""

    lower: float | None = None
    upper: float | None = None

    def accepts(self, value: float, u: float, rule: DecisionRule) -> bool:
        """Whether a value with the standard uncertainty ``u`` is accepted by the rule."""
        guard = rule.guard(u)
        above = self.lower is None or value >= self.lower + guard
        return above and (self.upper is None or value <= self.upper - guard)

    def probability(self, value: float, u: float) -> float:
        """Probability that the true value keeps the limits: Φ((TU − y)/u) − Φ((TL − y)/u)."""
        if u == 0.0:
            return float(self.accepts(value, 0.0, DecisionRule.SIMPLE))
        below = 1.0 if self.upper is None else float(ndtr((self.upper - value) / u))
        return below - (0.0 if self.lower is None else float(ndtr((self.lower - value) / u)))


def false_acceptance(guard_over_u: float) -> float:
    """Probability that a value right on the acceptance limit lies beyond the tolerance limit, Φ(−w/u)."""
    return float(ndtr(-guard_over_u))
