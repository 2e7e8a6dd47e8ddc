"""All metrics of what was recorded beside the torque of a run; none where nothing was."""

from __future__ import annotations

from collections.abc import Iterable

from anviltrace.metrics import handle, supply
from anviltrace.metrics.analysis import Analysis
from anviltrace.metrics.besides import AXES, Besides
from anviltrace.metrics.catalogue import CATALOGUE
from anviltrace.metrics.results import Value
from anviltrace.metrics.values import withheld
from anviltrace.records import Quantity

_WITHOUT_WINDOW = ("trigger_time",)


def side_values(a: Analysis, so_far: Iterable[Value]) -> list[Value]:
    """The values in the order of the catalogue; ``so_far`` are the run's other metrics."""
    if not a.facts.sides:
        return []
    b, rig, found = Besides(a, tuple(so_far)), a.facts.context.rig.kind, []
    for name, (quantities, compute) in {**supply.METRICS, **handle.METRICS}.items():
        entry = CATALOGUE[name]
        if rig not in entry.rigs or (entry.climbing and a.works_against_joint) or not _has(b, quantities):
            continue
        if a.no_window and name not in _WITHOUT_WINDOW:
            found.append(withheld(name, a.no_window))
        else:
            found.append(compute(b))
    return found


def _has(b: Besides, quantities: tuple[Quantity, ...]) -> bool:
    """Whether a run has a metric at all: every channel it needs, or any axis of three."""
    return any(axis in b.records for axis in AXES) if quantities == AXES else b.has(quantities)
