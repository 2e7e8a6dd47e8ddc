"""Part of ``anviltrace calibration show``: quantities at each load, which curve they ask for, and budgets."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from typing import TYPE_CHECKING, Any

import click

from anviltrace.cli.console import add_words, print_table
from anviltrace.cli.options import finite
from anviltrace.units import TorqueUnit

if TYPE_CHECKING:
    from anviltrace.calibration.budget import Budget, Case, Term
    from anviltrace.calibration.choose import Candidate
    from anviltrace.calibration.conformity import DecisionRule
    from anviltrace.calibration.model import Choice, Curve
    from anviltrace.calibration.numbers import Numbers
    from anviltrace.calibration.profiles import Profile
    from anviltrace.calibration.quantities import Level, Quantities
    from anviltrace.calibration.secondarm import ArmsAtLoad, SecondArm

PROFILE_NAMES = ("anviltrace-2", "anviltrace-1", "dkd-r-3-8:2003", "dkd-infoblatt-10-02:4")
"""Spelled out, so that help does not load the computations."""
RULE_NAMES = ("simple", "guard-band")
"""Spelled out for the same reason."""
_LIMITS_PERCENT = (1.0, 2.0, 5.0)
"""Expanded uncertainties that a smallest usable torque is stated for."""
_SYMBOLS = {
    "repeatability_percent": "b'",
    "reproducibility_percent": "b",
    "reproducibility_sd_percent": "s(b)",
    "reversibility_percent": "h",
    "cubic_percent": "off the\ncubic",
    "line_percent": "off the\nline",
    "line_both_percent": "off it, up\nand down",
}


def budget_options(command: Callable[..., None]) -> Callable[..., None]:
    """Hands a command ``at`` (a torque in the unit that is shown, or None) and ``profile_name``."""
    at = click.option(
        "--at",
        type=click.FloatRange(min=0.0, min_open=True),
        callback=finite,
        metavar="TORQUE",
        help="Make the budget at this torque, in the unit that is shown; else at the highest load.",
    )
    profile = click.option(
        "--profile",
        "profile_name",
        type=click.Choice(PROFILE_NAMES),
        default=PROFILE_NAMES[0],
        show_default=True,
        help="How the quantities enter the budget: published guides disagree.",
    )
    return at(profile(command))


def rule_option(command: Callable[..., None]) -> Callable[..., None]:
    """Hands a command ``rule_name``."""
    return click.option(
        "--rule",
        "rule_name",
        type=click.Choice(RULE_NAMES),
        default=RULE_NAMES[0],
        show_default=True,
        help="How the indicative class is decided: quantities as they were found, or with their expanded "
        "uncertainty to spare (w = U).",
    )(command)


def describe_numbers(
    one: Candidate, unit: TorqueUnit, at: float | None, profile_name: str, rule_name: str = RULE_NAMES[0]
) -> dict[str, Any]:
    """The numbers of a calibration as plain data; torques in ``unit``, other units are in the names.

    Raises CalibrationError where there is no line, or no budget at this torque.
    """
    from anviltrace.calibration.conformity import find_rule
    from anviltrace.calibration.numbers import work_out
    from anviltrace.calibration.profiles import find_profile

    numbers = work_out(one.steps, one.calibration, one.masses, one.arm, one.fit(), one.side)
    levels, profile = numbers.quantities.levels, find_profile(profile_name)
    rule = find_rule(rule_name)
    at_nm = levels[-1].torque_nm if at is None else at / unit.from_nm(1.0)
    return {
        "torque_unit": unit.value,
        "quantities": _quantities(numbers.quantities, numbers.basis.counts_per_nm, unit),
        "model": _model(numbers, unit),
        "stands_out": _stands_out(numbers, unit),
        "second_arm": _second_arm(numbers.basis.second, unit),
        "profile": {"name": profile.name, "source": profile.source},
        "results": [_result(numbers, case, at_nm, profile, unit, rule) for case in numbers.cases],
    }


def _quantities(found: Quantities, counts_per_nm: float, unit: TorqueUnit) -> dict[str, Any]:
    return {
        "levels": [_level(level, unit) for level in found.levels],
        "worst_percent": {name: found.worst_percent(name) for name in _SYMBOLS},
        "zero_return_percent": {str(series): value for series, value in found.zero_return_percent.items()},
        "worst_zero_return_percent": found.worst_zero_return_percent,
        "resolution_counts": found.resolution_counts,
        "resolution": unit.from_nm(found.resolution_counts / counts_per_nm),
        "missing": dict(found.missing),
    }


def _level(level: Level, unit: TorqueUnit) -> dict[str, Any]:
    torque = {"torque": unit.from_nm(level.torque_nm), "mean_counts": level.mean_counts}
    return torque | {name: getattr(level, name) for name in _SYMBOLS}


def _model(numbers: Numbers, unit: TorqueUnit) -> dict[str, Any]:
    choice: Choice = numbers.choice
    spread = choice.curve.mounting_u_relative
    return {
        "degree": choice.degree,
        "why": choice.why,
        "curves": [_curve(curve) for curve in choice.curves],
        "u_new_mounting_percent": None if spread is None else 100.0 * spread,
        "changes": [
            {"torque": unit.from_nm(at_nm), "change": unit.from_nm(change_nm), "u": unit.from_nm(u_nm)}
            for at_nm, (change_nm, u_nm) in numbers.model_changes.items()
        ],
    }


def _curve(curve: Curve) -> dict[str, Any]:
    test, intercept = curve.lack_of_fit, curve.intercept
    return {
        "degree": curve.degree,
        "coefficients_counts_per_nm_power": curve.fit.coefficients.tolist(),
        "covariance": curve.fit.covariance.tolist(),
        "residual_sd_counts": curve.fit.residual_sd,
        "degrees_of_freedom": curve.fit.dof,
        "lack_of_fit_f": _finite(test.f) if test else None,
        "lack_of_fit_limit": test.limit if test else None,
        "replicates_sd_counts": test.pure_sd if test else None,
        "t_highest_term": _finite(curve.t),
        "t_limit": curve.t_limit,
        "allowing_for_loads": None
        if curve.allowed is None
        else {
            "f": curve.allowed.f,
            "limit": curve.allowed.limit,
            "t_highest_term": curve.allowed.t,
            "t_limit": curve.allowed.t_limit,
        },
        "intercept_counts": intercept.counts if intercept else None,
        "u_intercept_counts": intercept.u_counts if intercept else None,
        "intercept_agrees_with_zero": intercept.agrees if intercept else None,
        "monotonic": curve.monotonic,
    }


def _stands_out(numbers: Numbers, unit: TorqueUnit) -> dict[str, Any] | None:
    if numbers.stands_out is None:
        return None
    rising = [row for row in numbers.fit.steps if row.branch == "up"]
    row = rising[numbers.stands_out]
    return {"number": row.number, "reference": unit.from_nm(row.reference_nm), "net_counts": row.net_counts}


def _second_arm(second: SecondArm | None, unit: TorqueUnit) -> dict[str, Any] | None:
    from anviltrace.publish.arms import tell_second_arm

    if second is None:
        return None
    return {
        "calibration_id": second.calibration_id,
        "arms": [second.first.name, second.second.name],
        "lengths_m": [second.first.length_m, second.second.length_m],
        "levels": [_arms_at_load(level, second, unit) for level in second.levels],
        "overall": None if second.overall is None else _arms_at_load(second.overall, second, unit),
        "factor_to_a_load_that_only_turns": second.q,
        "new_mounting_in_intervals": second.mounting_known,
        "told": tell_second_arm(second),
    }


def _arms_at_load(level: ArmsAtLoad, second: SecondArm, unit: TorqueUnit) -> dict[str, Any]:
    one = unit.from_nm(1.0)
    return {
        "torque": unit.from_nm(level.torque_nm),
        "counts_per_torque_unit": [level.first_counts_per_nm / one, level.second_counts_per_nm / one],
        "difference_percent": level.difference_percent,
        "b_l_percent": level.span_percent,
        "u_percent": level.u_percent,
        "expanded_percent": level.expanded_percent,
        "told_apart": level.told_apart,
        "against_a_load_that_only_turns_percent": second.side_percent(level),
    }


def _result(
    numbers: Numbers, case: Case, at_nm: float, profile: Profile, unit: TorqueUnit, rule: DecisionRule
) -> dict[str, Any]:
    from anviltrace.calibration.classes import WARNING

    verdict = numbers.indicative_class(case, rule)
    smallest = [(limit, numbers.smallest_usable_nm(case, limit, profile)) for limit in _LIMITS_PERCENT]
    return {
        "case": case.value,
        "slope_against_line_percent": 100.0 * numbers.slope_differs(case),
        "budget": _budget(numbers.budget(at_nm, case, profile), unit),
        "smallest_usable": [
            {"within_percent": limit, "torque": None if torque_nm is None else unit.from_nm(torque_nm)}
            for limit, torque_nm in smallest
        ],
        "indicative_class": {
            "overall": verdict.overall,
            "why_none": verdict.why_none,
            "by_quantity": dict(verdict.by_quantity),
            "rule": verdict.rule.value,
            "rule_means": verdict.rule.meaning,
            "probability_of_conformity": dict(verdict.conform),
            "each": verdict.each(),
            "warning": WARNING,
        },
    }


def _budget(budget: Budget, unit: TorqueUnit) -> dict[str, Any]:
    return {
        "torque": unit.from_nm(budget.torque_nm),
        "terms": [_term(term, unit) for term in budget.terms],
        "u": unit.from_nm(budget.u_nm),
        "degrees_of_freedom": _finite(budget.dof),
        "k": budget.k,
        "coverage": 0.9545,
        "expanded": unit.from_nm(budget.expanded_nm),
        "expanded_percent": budget.expanded_percent,
        "left_out": list(budget.left_out),
    }


def _term(term: Term, unit: TorqueUnit) -> dict[str, Any]:
    is_torque = term.unit == TorqueUnit.NM.value
    return {
        "symbol": term.symbol,
        "source": term.source,
        "unit": unit.value if is_torque else term.unit,
        "estimate": term.estimate,
        "width": unit.from_nm(term.width) if is_torque else term.width,
        "distribution": term.distribution,
        "divisor": term.divisor,
        "sensitivity": term.sensitivity if is_torque else unit.from_nm(term.sensitivity),
        "u": unit.from_nm(term.contribution_nm),
        "degrees_of_freedom": _finite(term.dof),
        "share_percent": 100.0 * term.share,
    }


def _finite(value: float) -> float | None:
    return value if math.isfinite(value) else None


def print_numbers(facts: Mapping[str, Any]) -> None:
    """Print them for a person."""
    unit = facts["torque_unit"]
    _print_quantities(facts["quantities"], unit)
    _print_model(facts["model"], facts["stands_out"], unit)
    if facts["second_arm"] is not None:
        _print_second_arm(facts["second_arm"], unit)
    for result in facts["results"][:-1]:
        _print_result(result, facts["profile"], unit, table=False)
    _print_result(facts["results"][-1], facts["profile"], unit, table=True)


def _print_quantities(found: Mapping[str, Any], unit: str) -> None:
    click.echo("\nAt each load, in percent of the reading:")
    shown = [name for name in _SYMBOLS if name not in found["missing"]
             and found["worst_percent"][name] is not None]  # fmt: skip
    rows = [
        [f"{level['torque']:.2f}", f"{level['mean_counts']:.1f}", *(_percent(level[name]) for name in shown)]
        for level in found["levels"]
    ]
    worst = ["worst", "", *(_percent(found["worst_percent"][name]) for name in shown)]
    _print([unit, "counts", *(_SYMBOLS[name] for name in shown)], [*rows, worst])
    click.echo("b' repeated in one mounting, b over mountings, s(b) their standard deviation, "
               "h falling against rising.")  # fmt: skip
    click.echo(f"Zero return f0 up to {found['worst_zero_return_percent']:.3f} % of the highest reading; "
               f"resolution r of a reading {found['resolution']:.4f} {unit} "
               f"({found['resolution_counts']:.1f} counts).")  # fmt: skip
    for why in found["missing"].values():
        click.echo(f"Not known: {why}.")


def _print_second_arm(found: Mapping[str, Any], unit: str) -> None:
    first, second = found["arms"]
    click.echo(f"\nSecond arm, {second} ({found['lengths_m'][1]:.4f} m), beside {first} "
               f"({found['lengths_m'][0]:.4f} m), readings of rising series:")  # fmt: skip
    rows = [
        [
            f"{level['torque']:.2f}",
            *(f"{counts:.2f}" for counts in level["counts_per_torque_unit"]),
            _percent(level["b_l_percent"]),
            _percent(level["expanded_percent"]),
            "yes" if level["told_apart"] else "no",
        ]
        for level in found["levels"]
    ]
    heads = [unit, f"{first}\ncounts/{unit}", f"{second}\ncounts/{unit}", "b_l\n%", "±, 95 %", "told\napart"]
    _print(heads, rows)
    for sentence in found["told"]:
        click.echo(sentence)


def _print_model(model: Mapping[str, Any], stands_out: Mapping[str, Any] | None, unit: str) -> None:
    click.echo("\nWhich curve the rising readings ask for:")
    heads = [
        "degree",
        "F by\nscatter",
        "F by scatter\nand weights",
        "limit",
        "t of highest\nby scatter",
        "t by scatter\nand weights",
        "limit",
        "at no torque\ncounts",
        "u\ncounts",
    ]
    _print(heads, [_curve_cells(curve) for curve in model["curves"]])
    click.echo(f"{model['why']}.")
    if model["degree"] > 1 and model["changes"]:
        largest = max(model["changes"], key=lambda one: abs(one["change"]))
        click.echo(f"Runs are converted with the straight line; that curve would change torque by up to "
                   f"{largest['change']:+.2f} {unit} (u {largest['u']:.2f}), at {largest['torque']:.1f} "
                   f"{unit}.")  # fmt: skip
    if model["u_new_mounting_percent"] is not None:
        click.echo(f"A new mounting may change the slope: u {model['u_new_mounting_percent']:.3f} %.")
    if stands_out is not None:
        click.echo(f"Reading {stands_out['number']} at {stands_out['reference']:.1f} {unit} STANDS OUT "
                   "(Grubbs, 5 %): decide whether something was wrong with it; it is kept.")  # fmt: skip


def _curve_cells(curve: Mapping[str, Any]) -> list[str]:
    allowed, bends = curve["allowing_for_loads"] or {}, curve["degree"] > 1
    return [
        str(curve["degree"]),
        _number(curve["lack_of_fit_f"], ".2f"),
        _number(allowed.get("f"), ".2f"),
        _number(curve["lack_of_fit_limit"], ".2f"),
        _number(curve["t_highest_term"] if bends else None, ".2f"),
        _number(allowed.get("t_highest_term") if bends else None, ".2f"),
        _number(allowed.get("t_limit", curve["t_limit"]) if bends else None, ".2f"),
        _number(curve["intercept_counts"], "+.1f"),
        _number(curve["u_intercept_counts"], ".1f"),
    ]


def _print_result(result: Mapping[str, Any], profile: Mapping[str, str], unit: str, *, table: bool) -> None:
    budget, verdict = result["budget"], result["indicative_class"]
    click.echo(
        f"\nResult {result['case']}, at {budget['torque']:.1f} {unit}: ± {budget['expanded']:.2f} {unit} "
        f"({budget['expanded_percent']:.2f} %), k {budget['k']:.2f} for 95.45 %, "
        f"{_degrees(budget['degrees_of_freedom'])} degrees of freedom"
    )
    click.echo(f"  its slope is {result['slope_against_line_percent']:+.3f} % off the line that runs are "
               "converted with")  # fmt: skip
    if table:
        click.echo(f"  budget by profile {profile['name']}: {profile['source']}")
        _print_terms(budget["terms"], unit)
        for why in budget["left_out"]:
            click.echo(f"  not in it: {why}")
    for row in result["smallest_usable"]:
        where = (
            "nowhere up to the highest load" if row["torque"] is None else f"from {row['torque']:.1f} {unit}"
        )
        click.echo(f"  within {row['within_percent']:g} %: {where}")
    said = verdict["why_none"] or f"class {verdict['overall']}"
    click.echo(f"  {said} by {verdict['rule']} ({', '.join(verdict['each'])}); {verdict['warning']}")
    click.echo("  in brackets the probability that the quantity keeps the limit of its class")


def _print_terms(terms: Sequence[Mapping[str, Any]], unit: str) -> None:
    from anviltrace.metrics.figures import rounded

    heads = ["", "source", "estimate", "width", "distribution", "divisor", f"{unit}\nper unit", f"u\n{unit}",
             "degrees\nof\nfreedom", "share\n%"]  # fmt: skip
    rows = [
        [
            term["symbol"],
            term["source"],
            f"{term['estimate']:.6g} {term['unit']}",
            rounded(term["width"], 2),
            term["distribution"],
            f"{term['divisor']:.2f}",
            "<0.0001" if 0.0 < abs(term["sensitivity"]) < 1e-4 else rounded(term["sensitivity"], 3),
            f"{term['u']:.4f}",
            _degrees(term["degrees_of_freedom"]),
            f"{term['share_percent']:.1f}",
        ]
        for term in terms
    ]
    _print(heads, rows, words=(0, 1, 4), gap=1)


def _print(
    heads: Sequence[str], rows: Sequence[Sequence[str]], words: Sequence[int] = (), gap: int = 2
) -> None:
    """A table with columns of ``words``, which may take several lines, and of numbers, which may not."""
    from rich.table import Table

    table = Table(box=None, padding=(0, gap, 0, 0), pad_edge=False)
    for place, head in enumerate(heads):
        if place in words:
            add_words(table, head, [row[place] for row in rows])
        else:
            table.add_column(head, justify="right", no_wrap=True)
    for row in rows:
        table.add_row(*row)
    print_table(table)


def _percent(value: float | None) -> str:
    return _number(value, ".3f")


def _number(value: float | None, form: str) -> str:
    return "–" if value is None else format(value, form)


def _degrees(value: float | None) -> str:
    from anviltrace.calibration.coverage import shown_degrees

    return shown_degrees(math.inf if value is None else value)
