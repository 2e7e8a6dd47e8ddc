"""What a later calibration changes, as plain data and as the part of a report."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from anviltrace.compare.recalibrated import Moved, Recalibrated, Replaced
from anviltrace.metrics.catalogue import label, metric
from anviltrace.metrics.figures import rounded, value_with_uncertainty
from anviltrace.publish.words import shortened
from anviltrace.records import readable_time
from anviltrace.units import TorqueUnit

_NAMED = 4
"""So many inputs in common are named."""
ABOUT = (
    "These runs take a calibration made after them, although an earlier one held when they were made. The "
    "counts are the same in both, so noise and zero of a run drop out of the difference, and so does what "
    "both calibrations share; its uncertainty (95 %) is that of the two lines against each other."
)


def changed_data(one: Recalibrated, unit: TorqueUnit) -> dict[str, Any]:
    """What changed in a run as plain data; values in the unit that stands beside them."""
    return {
        "run": one.result.context.run.id,
        "replaced": [
            {
                "earlier": each.change.earlier_id,
                "earlier_taken_at": each.change.earlier_taken_at,
                "later": each.later_id,
                "later_taken_at": each.later_taken_at,
                "as_found_percent": 100.0 * each.change.change,
                "expanded_percent": 100.0 * each.change.expanded,
                "en": each.change.en,
                "agrees": each.change.agrees,
                "in_common": list(each.change.in_common),
            }
            for each in one.replaced
        ],
        "metrics": [_moved_data(each, unit) for each in one.moved],
    }


def _moved_data(one: Moved, unit: TorqueUnit) -> dict[str, Any]:
    of = metric(one.name).unit
    old, new = (None if value is None else unit.shown(value, of)[0] for value in (one.old, one.new))
    return {
        "name": one.name,
        "unit": unit.shown(0.0, of)[1],
        "old": old,
        "new": new,
        "change_percent": None if one.change is None else 100.0 * one.change,
        "expanded_percent": None if one.expanded is None else 100.0 * one.expanded,
    }


def recalibration_part(found: Sequence[Recalibrated], unit: TorqueUnit) -> dict[str, Any] | None:
    """The section of a report, None where there is nothing to say: sentences, and rows for each run."""
    if not found:
        return None
    return {
        "about": ABOUT,
        "calibrations": list(dict.fromkeys(said_of(each) for one in found for each in one.replaced)),
        "rows": [row for one in found for row in change_rows(one, unit)],
    }


def said_of(one: Replaced) -> str:
    """Which calibration took the place of which, and how they agree, in words."""
    change = one.change
    difference = value_with_uncertainty(100.0 * change.change, 100.0 * change.expanded)
    verdict = "they agree" if change.agrees else "THEY DO NOT AGREE"
    shared = f"; in both: {_named(change.in_common)}" if change.in_common else ""
    return (
        f"{shortened(one.later_id)} of {readable_time(one.later_taken_at)} instead of "
        f"{shortened(change.earlier_id)} of {readable_time(change.earlier_taken_at)}, which would have read "
        f"{difference} % off (95 %): E_n {change.en:.2f}, {verdict}{shared}"
    )


def _named(shared: Sequence[str]) -> str:
    """The largest of them by name."""
    more = len(shared) - _NAMED
    return ", ".join(shared[:_NAMED]) + (f" and {more} more" if more > 0 else "")


def change_rows(one: Recalibrated, unit: TorqueUnit) -> list[list[str]]:
    """For each leading metric of a run: run, tool, metric, unit, old, new, difference in percent."""
    context = one.result.context
    tool = "" if context.tool is None else context.tool.name
    return [[shortened(context.run.id), tool, *_cells(each, unit)] for each in one.moved]


def _cells(one: Moved, unit: TorqueUnit) -> list[str]:
    of = metric(one.name).unit
    values = (
        "withheld" if value is None else rounded(unit.shown(value, of)[0], 5) for value in (one.old, one.new)
    )
    difference = "–"
    if one.change is not None and one.expanded is not None:
        difference = value_with_uncertainty(100.0 * one.change, 100.0 * one.expanded)
    return [label(one.name), unit.shown(0.0, of)[1], *values, difference]
