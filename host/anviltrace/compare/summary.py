"""One metric of one group of runs: mean with uncertainty, spread, best of n, and what was withheld."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

from anviltrace.calibration.coverage import coverage_factor, effective_dof
from anviltrace.compare.groups import Group
from anviltrace.compare.spread import Spread, spread
from anviltrace.metrics.catalogue import CATALOGUE
from anviltrace.metrics.entry import Group as MetricGroup
from anviltrace.metrics.results import Value

ONE_RUN = "one run says nothing about how well it repeats"
NO_RUN = "no run of this condition was kept"

Key = tuple[str, float | None]


@dataclass(frozen=True, slots=True)
class Summary:
    """A metric over the kept runs of a group, in the unit of its catalogue entry.

    ``spread`` is None where every run withholds the metric; ``withheld`` then says why. ``expanded`` is the
    half width of the 95 % interval of the mean with everything in it: the spread of the runs, and what all
    runs share (calibration), which does not shrink with n. ``under_read`` and ``over_read`` are the largest
    one-sided bounds of the runs. ``withheld`` holds the reasons of the runs without a value, and how many.
    """

    name: str
    mark: float | None
    spread: Spread | None
    expanded: float | None = None
    dof: float = math.inf
    common: float = 0.0
    under_read: float = 0.0
    over_read: float = 0.0
    withheld: tuple[tuple[str, int], ...] = ()
    flags: tuple[str, ...] = ()

    @property
    def key(self) -> Key:
        """What tells this metric apart from the others of the group."""
        return self.name, self.mark

    @property
    def n(self) -> int:
        """How many runs have a value."""
        return 0 if self.spread is None else self.spread.n

    @property
    def why_none(self) -> str:
        """Why there is no value, in words; empty where there is one."""
        if self.spread is not None:
            return ""
        return "; ".join(reason for reason, _ in self.withheld) or NO_RUN

    @property
    def why_no_interval(self) -> str:
        """Why there is no interval from spread, in words; empty where there is one."""
        return ONE_RUN if self.n == 1 else ""


def summarise(group: Group) -> list[Summary]:
    """Every metric of a group, in the order in which the runs have them."""
    keys = dict.fromkeys(value.key for result in group.kept for value in result.values)
    return [summarise_metric(group, *key) for key in keys]


def summarise_metric(group: Group, name: str, mark: float | None = None) -> Summary:
    """One metric of a group; a run that lacks it altogether counts as withholding it.

    Where a run did not reach what was asked for (right-censored) there is no mean: that of the others would
    be too small.
    """
    found = [result.value(name, mark) or _missing(name) for result in group.kept]
    known = [value for value in found if value.value is not None]
    reasons = Counter(value.withheld for value in found if value.value is None)
    withheld = tuple(reasons.most_common())
    if not known or any(value.beyond is not None for value in found):
        return Summary(name, mark, None, withheld=withheld)
    values_spread = spread([value.value for value in known if value.value is not None])
    expanded, dof = _expanded(values_spread, known)
    return Summary(
        name,
        mark,
        values_spread,
        expanded,
        dof,
        common=_common(known),
        under_read=max(value.under_read for value in known),
        over_read=max(value.over_read for value in known),
        withheld=withheld,
        flags=tuple(dict.fromkeys(flag for value in known for flag in value.flags)),
    )


def _missing(name: str) -> Value:
    beside = CATALOGUE[name].group in (MetricGroup.SUPPLY, MetricGroup.HANDLE)
    return Value(name, None, withheld="not recorded with this run" if beside else "not computed for this run")


def _common(values: Sequence[Value]) -> float:
    """Standard uncertainty that the runs share: the mean of theirs, as if one calibration served them all.

    Where several calibrations did, this is cautious: they share arm, weights and gravity, if not the fit.
    """
    return math.fsum(value.common for value in values) / len(values)


def _expanded(found: Spread, values: Sequence[Value]) -> tuple[float | None, float]:
    """95 % half width of the mean and its degrees of freedom.

    What runs do not share adds as variances to what they share: the spread of the runs (n - 1 degrees of
    freedom), but never less than what the runs' own uncertainties lead to expect, since few runs may agree
    by chance. The shared part gets the fewest degrees of freedom any run states. It is never less than the
    t interval of the spread alone: Welch-Satterthwaite takes the spread that was found for the true one, and
    gives too many degrees of freedom just where two or three runs agree by chance. A single run has its own
    uncertainty.
    """
    if found.sd is None:
        return values[0].expanded, values[0].dof
    if any(value.expanded is None for value in values):
        return found.interval, found.n - 1
    least_dof = min(value.dof for value in values)
    shared = (_common(values), least_dof)
    from_spread = (found.sd / math.sqrt(found.n), found.n - 1.0)
    from_runs = (_own(values) / math.sqrt(found.n), least_dof)
    alone = (found.interval or 0.0, found.n - 1.0)
    return max(_combined(shared, from_spread), _combined(shared, from_runs), alone)


def _own(values: Sequence[Value]) -> float:
    """Standard uncertainty of a typical run (root mean square) apart from what all share."""
    variances = [
        max((value.expanded / coverage_factor(value.dof)) ** 2 - value.common**2, 0.0)
        for value in values
        if value.expanded is not None
    ]
    return math.sqrt(math.fsum(variances) / len(variances))


def _combined(*parts: tuple[float, float]) -> tuple[float, float]:
    """Expanded uncertainty and degrees of freedom of independent (standard uncertainty, dof) parts."""
    dof = effective_dof(parts)
    return coverage_factor(dof) * math.hypot(*(u for u, _ in parts)), dof
