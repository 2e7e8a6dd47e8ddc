"""Values in words, as tables and reports show them."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass

from anviltrace.compare.claims import ClaimCheck
from anviltrace.compare.spread import best_of_n_factor
from anviltrace.compare.summary import Summary
from anviltrace.metrics.catalogue import metric
from anviltrace.metrics.figures import bound, last_place, least, rounded, tells, value_with_uncertainty
from anviltrace.metrics.results import Value
from anviltrace.records import Claim
from anviltrace.units import TorqueUnit

WITHHELD = "withheld"
NO_TORQUE = ("1",)
"""Units that are not written behind a number."""
_WHERE = {"+": "higher", "−": "lower"}


@dataclass(frozen=True, slots=True)
class Shower:
    """Writes numbers in the unit of torque that was asked for."""

    unit: TorqueUnit = TorqueUnit.NM

    def unit_of(self, name: str) -> str:
        """The unit a metric is shown in; empty for a plain number."""
        shown = self.unit.shown(1.0, metric(name).unit)[1]
        return "" if shown in NO_TORQUE else shown

    def number(self, name: str, value: float) -> float:
        """A value of a metric in the unit it is shown in."""
        return self.unit.shown(value, metric(name).unit)[0]

    def stated(self, name: str, value: float, expanded: float | None) -> str:
        """Value and expanded uncertainty, rounded together, without the unit."""
        if expanded is None:
            return rounded(self.number(name, value))
        return value_with_uncertainty(self.number(name, value), self.number(name, expanded))

    def value(self, found: Value) -> str:
        """A value of one run without its unit, "> 4.80" where it is only known to be more, or "withheld"."""
        if found.beyond is not None:
            return f"> {least(self.number(found.name, found.beyond))}"
        return WITHHELD if found.value is None else self.stated(found.name, found.value, found.expanded)

    def mean(self, found: Summary) -> str:
        """The mean of a group without its unit, or the word that it is withheld."""
        if found.spread is None:
            return WITHHELD
        return self.stated(found.name, found.spread.mean, found.expanded)

    def sd(self, found: Summary) -> str:
        """The sample standard deviation without its unit."""
        if found.spread is None or found.spread.sd is None:
            return "–"
        return self._small(found, found.spread.sd)

    def interval(self, found: Summary) -> str:
        """The 95 % t interval of the mean from spread alone, as a half width without its unit."""
        if found.spread is None or found.spread.interval is None:
            return "–"
        return _signed("±", self._small(found, found.spread.interval))

    def tolerance(self, found: Summary) -> str:
        """Half width that holds 95 % of runs of the condition, without its unit."""
        if found.spread is None or found.spread.tolerance is None:
            return "–"
        return _signed("±", self._small(found, found.spread.tolerance))

    def best(self, found: Summary) -> str:
        """The largest of the runs, without its unit."""
        if found.spread is None or not has_best(found):
            return "–"
        best, expanded = found.spread.best, found.expanded
        if expanded is None or expanded == 0.0:
            return rounded(self.number(found.name, best))
        return self.stated(found.name, best, expanded).partition(" ±")[0]

    def bias(self, found: Summary) -> str:
        """By how much a best of n lies above the mean by chance alone, without its unit."""
        if found.spread is None or not found.spread.best_bias or not has_best(found):
            return "–"
        return _signed("+", self._small(found, found.spread.best_bias))

    def bounds(self, found: Value | Summary) -> list[str]:
        """The one-sided bounds outside the interval in words, in the unit of the value."""
        return [f"may be up to {size} {_WHERE[sign]}" for sign, size in self._sides(found)]

    def short_bounds(self, found: Value | Summary) -> str:
        """The same bounds for a narrow column: "+5.3 −0.2"; empty where there are none."""
        return " ".join(f"{sign}{size}" for sign, size in self._sides(found))

    def _sides(self, found: Value | Summary) -> list[tuple[str, str]]:
        """Sign and size of each bound that is not lost in the rounding of the value."""
        sides = (("+", found.under_read), ("−", found.over_read))
        return [
            (sign, bound(self.number(found.name, size)))
            for sign, size in sides
            if tells(size, found.expanded)
        ]

    def claimed(self, claim: Claim) -> str:
        """What is claimed, with its unit."""
        value, unit = self.unit.shown(claim.value, claim.unit)
        return f"{value:.4g} {unit}"

    def _small(self, found: Summary, size: float) -> str:
        """A spread to two digits, but to no more places than the uncertainty beside it is worth."""
        size = self.number(found.name, size)
        if not found.expanded:
            return rounded(size, 2)
        least = 10.0 ** last_place(self.number(found.name, found.expanded))
        return f"<{rounded(least, 1)}" if size < least else rounded(size, 2)


def _signed(sign: str, size: str) -> str:
    """ "±" or "+" before a size, but not before one that is only known to be small."""
    return size if size.startswith("<") else f"{sign}{size}"


def has_best(found: Summary) -> bool:
    """Whether a best says anything: for torque and impulse along the rotation, and more than one run."""
    spread = found.spread
    return spread is not None and spread.n > 1 and spread.mean > 0.0 and "N·m" in metric(found.name).unit


def ratio(check: ClaimCheck) -> str:
    """Measured over claimed with its uncertainty."""
    return "–" if check.ratio is None else value_with_uncertainty(check.ratio, check.ratio_expanded)


def best_of_n_note(counts: Sequence[int]) -> str:
    """Why a best of n is shown beside the mean and never instead of it, for the numbers of runs there are."""
    factors = ", ".join(f"{best_of_n_factor(n):.2f} s for {n} runs" for n in counts)
    return (
        "In brackets beside the best: by how much a best of n lies above the mean by chance alone, on "
        f"average and for normal scatter of standard deviation s ({factors}). "
        "Bests of different numbers of runs cannot be compared."
    )


_NUMBER = re.compile(r"\d+(?:\.\d+)?")


def merged(flags: Sequence[str]) -> list[str]:
    """Flags that differ in their numbers only become one: "3 blows" and "17 blows" are "3 to 17 blows"."""
    alike: dict[tuple[str, ...], list[list[str]]] = {}
    for flag in flags:
        alike.setdefault(tuple(_NUMBER.split(flag)), []).append(_NUMBER.findall(flag))
    return [_with_ranges(words, numbers) for words, numbers in alike.items()]


def _with_ranges(words: Sequence[str], numbers: Sequence[Sequence[str]]) -> str:
    """Words with the ranges of the numbers between them."""
    ranges = [_range(column) for column in zip(*numbers, strict=True)]
    return "".join(word + number for word, number in zip(words, [*ranges, ""], strict=True))


def _range(numbers: Sequence[str]) -> str:
    low, high = min(numbers, key=float), max(numbers, key=float)
    return low if low == high else f"{low} to {high}"


def shortened(run_id: str) -> str:
    """The beginning of an id, enough to find the run."""
    return run_id[:8]


def plural(count: int, noun: str) -> str:
    """ "1 run", "3 runs"."""
    return f"{count} {noun}" if count == 1 else f"{count} {noun}s"
