"""The part of a calibration document about quantities at each load, budget and indicative class."""

from __future__ import annotations

from typing import Any

from anviltrace.calibration.budget import Budget, Case, Term
from anviltrace.calibration.classes import WARNING
from anviltrace.calibration.conformity import DecisionRule
from anviltrace.calibration.coverage import shown_degrees
from anviltrace.calibration.numbers import Numbers
from anviltrace.calibration.profiles import OWN
from anviltrace.calibration.quantities import Level
from anviltrace.metrics.figures import rounded
from anviltrace.publish.arms import stated_length, tell_second_arm
from anviltrace.publish.calibrations import shown_torque
from anviltrace.units import TorqueUnit

SYMBOLS = {
    "repeatability_percent": "b'",
    "reproducibility_percent": "b",
    "reproducibility_sd_percent": "s(b)",
    "reversibility_percent": "h",
    "cubic_percent": "fa, cubic",
    "line_percent": "fa, line",
    "line_both_percent": "fa, line, both ways",
}
LIMITS_PERCENT = (1.0, 2.0, 5.0)
"""Expanded uncertainties that a smallest usable torque is stated for."""


def quantities(numbers: Numbers, unit: TorqueUnit) -> dict[str, Any]:
    """Percentages at each load and of the range, those that the plan can show, and why others are missing."""
    found = numbers.quantities
    names = [name for name in SYMBOLS if found.worst_percent(name) is not None]
    worst = [_percent(found.worst_percent(name)) for name in names]
    counts = found.resolution_counts
    resolution = shown_torque(counts / numbers.basis.counts_per_nm, unit, 2)
    return {
        "columns": [SYMBOLS[name] for name in names],
        "rows": [_level(level, names, unit) for level in found.levels],
        "worst": worst,
        "zero_return": _percent(found.worst_zero_return_percent),
        "resolution": f"{resolution} ({rounded(counts, 2)} counts)",
        "missing": list(found.missing.values()),
    }


def _level(level: Level, names: list[str], unit: TorqueUnit) -> list[str]:
    torque = f"{unit.from_nm(level.torque_nm):.2f}"
    return [torque, f"{level.mean_counts:.1f}", *(_percent(getattr(level, name)) for name in names)]


def _percent(value: float | None) -> str:
    if value is None:
        return "–"
    return f"{value:.3f}".replace("-0.000", "0.000")


def second_arm(numbers: Numbers, unit: TorqueUnit) -> dict[str, Any] | None:
    """Readings per torque with both arms at each load, and what they come to; None without a second arm."""
    second = numbers.basis.second
    if second is None:
        return None
    one = unit.from_nm(1.0)
    return {
        "arms": [f"{arm.name}, {stated_length(arm)}" for arm in (second.first, second.second)],
        "rows": [
            [
                f"{unit.from_nm(level.torque_nm):.2f}",
                f"{level.first_counts_per_nm / one:.2f}",
                f"{level.second_counts_per_nm / one:.2f}",
                _percent(level.span_percent),
                _percent(level.expanded_percent),
                "yes" if level.told_apart else "no",
            ]
            for level in second.levels
        ],
        "told": tell_second_arm(second),
    }


def results(numbers: Numbers, unit: TorqueUnit, rule: DecisionRule) -> list[dict[str, Any]]:
    """For each result that the plan allows: uncertainty at the highest load, where it is usable, class."""
    return [_result(numbers, case, unit, rule) for case in numbers.cases]


def _result(numbers: Numbers, case: Case, unit: TorqueUnit, rule: DecisionRule) -> dict[str, Any]:
    budget = numbers.budget(numbers.quantities.levels[-1].torque_nm, case)
    usable = ((limit, numbers.smallest_usable_nm(case, limit)) for limit in LIMITS_PERCENT)
    return {
        "case": case.value,
        "facts": [
            (f"at {shown_torque(budget.torque_nm, unit)}", _expanded(budget, unit)),
            (
                "slope against the line that runs are converted with",
                f"{100.0 * numbers.slope_differs(case):+.3f} %",
            ),
            *((f"U within {limit:g} %", _from(least_nm, unit)) for limit, least_nm in usable),
            ("indicative class", indicative(numbers, case, rule)),
        ],
    }


def _expanded(budget: Budget, unit: TorqueUnit) -> str:
    return (
        f"± {shown_torque(budget.expanded_nm, unit, 2)} ({rounded(budget.expanded_percent, 2)} %), "
        f"k = {budget.k:.2f} for 95.45 %, {shown_degrees(budget.dof)} degrees of freedom"
    )


def _from(least_nm: float | None, unit: TorqueUnit) -> str:
    return "nowhere up to the highest load" if least_nm is None else f"from {shown_torque(least_nm, unit, 3)}"


def indicative(numbers: Numbers, case: Case, rule: DecisionRule) -> str:
    """The class that the range would support, or why none is stated, with what it is worth."""
    found = numbers.indicative_class(case, rule)
    parts = ", ".join(found.each())
    return (
        f"{found.why_none or found.overall} by {rule} (each for itself, with the probability that it keeps "
        f"its limit: {parts}); {WARNING}"
    )


def conformity(numbers: Numbers, rule: DecisionRule) -> str:
    """What is said about conformity, and by which rule it was decided."""
    if all(numbers.indicative_class(case, rule).overall is None for case in numbers.cases):
        return "none stated, so no decision rule was applied"
    return f"none with a standard; the indicative class is decided by {rule}: {rule.meaning}"


def budget_table(numbers: Numbers, unit: TorqueUnit) -> dict[str, Any]:
    """The budget at the highest load of the last result, which has hysteresis in it where one fell."""
    budget = numbers.budget(numbers.quantities.levels[-1].torque_nm, numbers.cases[-1])
    return {
        "about": f"Result {budget.case.value}, at {shown_torque(budget.torque_nm, unit)}, by the profile "
        f"{OWN.name}: {OWN.source}.",
        "rows": [_term(term, unit) for term in budget.terms],
        "left_out": list(budget.left_out),
    }


def _term(term: Term, unit: TorqueUnit) -> dict[str, Any]:
    """Estimate and width in the term's own unit, sensitivity in torque per that unit."""
    one = unit.from_nm(1.0)
    scale = {TorqueUnit.NM.value: one, f"counts/{TorqueUnit.NM}": 1.0 / one}.get(term.unit, 1.0)
    return {
        "symbol": term.symbol,
        "source": term.source,
        "words": term.distribution,
        "cells": [
            f"{_short(term.estimate * scale)} {unit.shown(1.0, term.unit)[1]}",
            rounded(term.width * scale, 2),
            f"{term.divisor:.2f}",
            rounded(term.sensitivity * one / scale, 3),
            f"{unit.from_nm(term.contribution_nm):.4f}",
            shown_degrees(term.dof),
            f"{100.0 * term.share:.1f}",
        ],
    }


def _short(value: float) -> str:
    """To six digits, without zeros behind that say nothing."""
    text = rounded(value, 6)
    return text.rstrip("0").rstrip(".") if "." in text else text
