"""A calibration as one HTML page that works offline, asks for nothing outside itself and runs no script."""

from __future__ import annotations

from typing import Any

from anviltrace import __version__
from anviltrace.calibration.course import read_outline
from anviltrace.calibration.line import STATIC_ONLY, StepRow
from anviltrace.calibration.numbers import Numbers
from anviltrace.metrics.figures import last_place, rounded, value_with_uncertainty
from anviltrace.publish import documentfacts, documentnumbers, documentplots
from anviltrace.publish.authorising import authorised
from anviltrace.publish.calibrations import (
    contribution_cells,
    shown_torque,
    stated_coverage,
    stated_reference,
    stated_slope,
    stated_torque,
)
from anviltrace.publish.document import Document, Taken
from anviltrace.publish.documentdata import fingerprint, stated_torques_nm
from anviltrace.publish.documentfacts import SIX_DIGITS, Facts
from anviltrace.publish.sheet import fill
from anviltrace.publish.shunts import shunt_facts
from anviltrace.publish.sought import NOT_ON_RECORD, sought
from anviltrace.publish.words import shortened
from anviltrace.records import Decision, LoadStep, readable_time, turning
from anviltrace.units import TorqueUnit

CAUTION = (
    "Whoever repeats it: hung weights fall and a loaded arm swings. Secure both, nobody under the arm or in "
    "line with it, no tool on the rig meanwhile."
)
NOT_A_CERTIFICATE = (
    "This is a workshop's own calibration record, not issued under an accreditation. The results relate only "
    "to this rig as it was calibrated."
)
_POWERS = {1: "", 2: "²", 3: "³"}
ALL_DIGITS = 10
"""Digits of a coefficient: more than any reading has."""
BRANCHES = {"zero": "zero", "up": "rising", "down": "falling"}


def render(document: Document, unit: TorqueUnit) -> str:
    """The whole page, torques in ``unit``."""
    return fill("document.html", page=_page(document, unit), not_on_record=NOT_ON_RECORD)


def _page(document: Document, unit: TorqueUnit) -> dict[str, Any]:
    fit, numbers = document.fit, document.numbers()
    return {
        "number": document.made.calibration.id,
        "title": f"Calibration record, {document.rig.name}, {turning(document.made.calibration.sign)} torque",
        "unit": unit.value,
        "head": _head(document, unit),
        "warnings": _warnings(document),
        "stands_out": _stands_out(document, numbers),
        "quantities": documentnumbers.quantities(numbers, unit),
        "second_arm": documentnumbers.second_arm(numbers, unit),
        "results": documentnumbers.results(numbers, unit, document.rule),
        "budget": documentnumbers.budget_table(numbers, unit),
        "cautions": [NOT_A_CERTIFICATE, STATIC_ONLY, CAUTION],
        "result": _result(document, unit),
        "expanded": _expanded(document, unit),
        "uncertainty_picture": (
            documentplots.uncertainty(document, unit),
            "Expanded uncertainty (95 %) that the calibration gives to a torque.",
        ),
        "pictures": _pictures(document, unit),
        "readings": [_reading(*pair, _decimals(document, unit), unit) for pair in document.rows()],
        "left_out": [_left_out(step, why) for step, why in document.left_out],
        "parts": [contribution_cells(part) for part in fit.contributions],
        "highest": shown_torque(fit.line.highest_nm, unit),
        "checks": [*_checks(document, unit), *curve_facts(numbers, unit)],
        "cannot_tell": list(fit.cannot_tell),
        "method": documentfacts.method(document),
        "rig": documentfacts.rig(document),
        "site": documentfacts.site(document, unit),
        "masses": [documentfacts.weight(mass) for mass in document.masses],
        "sought": sought(document, documentnumbers.conformity(numbers, document.rule)),
        "proof": _proof(document),
    }


def _head(document: Document, unit: TorqueUnit) -> Facts:
    made, line = document.made.calibration, document.fit.line
    sign = "positive" if made.sign > 0 else "negative"
    times = sorted(readable_time(one.step.taken_at) for one in document.taken)
    facts = [
        ("number", made.id),
        ("calibrated", f"{times[0]} to {times[-1]} UTC"),
        ("by", document.session.operator or NOT_ON_RECORD),
        ("authorised by", authorised(document) or NOT_ON_RECORD),
        (
            "direction",
            f"{turning(document.made.calibration.sign)}, seen from behind the tool; such torque is {sign}",
        ),
        ("course", _course(document)),
        ("range", f"{shown_torque(line.lowest_nm, unit)} to {shown_torque(line.highest_nm, unit)}"),
        ("note", made.note),
    ]
    return [(name, text) for name, text in facts if text]


def _course(document: Document) -> str:
    """What it set out to do, where that is on record."""
    outline = read_outline(document.made.calibration.course)
    if outline is None:
        return ""
    beside = f", beside calibration {shortened(outline.side_of)}" if outline.side_of else ""
    return f"{outline.name}{beside}"


def _warnings(document: Document) -> list[str]:
    found = document.disagreements()
    if not document.fit.intercept_agrees:
        found.append(
            "the line with an intercept does not go through zero within its 95 % interval: look for "
            "friction, or for something besides the weights that loads the rig"
        )
    return found


def _result(document: Document, unit: TorqueUnit) -> Facts:
    line, ratio = document.fit.line, document.made.settings.mv_per_v_per_count
    slope = rounded(line.counts_per_nm / unit.from_nm(1.0), ALL_DIGITS)
    facts = [
        ("sensitivity", f"{stated_slope(line, unit)} (95 %)"),
        ("the same as it is computed with", f"{slope} counts per {unit.value}, through zero"),
        ("coverage factor k and degrees of freedom", stated_coverage(line)),
    ]
    if ratio is not None:
        slope = rounded(ratio * line.counts_per_nm / unit.from_nm(1.0), SIX_DIGITS)
        words = "by the converter's stated scale, whose own uncertainty is not on record"
        facts.append(("in terms of the bridge", f"{slope} mV/V per {unit.value}, {words}"))
    facts.append(("torque is withheld above", shown_torque(line.limit_nm, unit)))
    if document.made.calibration.linear_to_nm is not None:
        rated = shown_torque(document.made.calibration.linear_to_nm, unit)
        facts.append(("rated linearity on record", f"up to {rated}"))
    return facts


def _expanded(document: Document, unit: TorqueUnit) -> list[dict[str, Any]]:
    line = document.fit.line
    return [
        {
            "torque": stated_torque(line, at_nm, unit).removesuffix(f" {unit.value}"),
            "percent": f"{rounded(100.0 * line.expanded_nm(at_nm) / at_nm, 2)}",
            "above": at_nm > line.highest_nm,
        }
        for at_nm in stated_torques_nm(line)
    ]


def _pictures(document: Document, unit: TorqueUnit) -> list[tuple[Any, str]]:
    loop = documentplots.loop(document, unit)
    no_loop = "No series was taken falling: there is no hysteresis loop."
    return [
        (
            documentplots.residuals(document, unit),
            "Residuals: how far readings under load lie off the line that is used.",
        ),
        (
            loop,
            "Hysteresis loop: readings less the chord from zero to the highest load, in order of time."
            if loop
            else no_loop,
        ),
    ]


def _decimals(document: Document, unit: TorqueUnit) -> int:
    """Decimals for residuals: one more than the uncertainty at the lowest load is worth."""
    line = document.fit.line
    return max(0, 1 - last_place(unit.from_nm(line.expanded_nm(line.lowest_nm))))


def _reading(one: Taken, row: StepRow, decimals: int, unit: TorqueUnit) -> dict[str, Any]:
    step = one.step
    return {
        "number": step.number,
        "time": step.taken_at[11:19],
        "series": step.series,
        "mounting": step.mounting,
        "branch": BRANCHES[step.branch],
        "masses": ", ".join(row.masses) or "nothing",
        "cells": [
            f"{row.mass_kg:.3f}",
            stated_reference(row, unit),
            f"{step.mean_counts:.1f}",
            f"{step.sd_counts:.1f}",
            f"{row.net_counts:.1f}",
            f"{unit.from_nm(row.residual_nm):+.{decimals}f}",
        ],
    }


def _left_out(step: LoadStep, why: Decision) -> str:
    by = f", {why.by}" if why.by else ""
    return (
        f"{BRANCHES[step.branch]} in series {step.series} at {step.taken_at[11:19]} UTC, "
        f"{step.mean_counts:.1f} counts: {why.reason or 'no reason given'}{by}"
    )


def _checks(document: Document, unit: TorqueUnit) -> Facts:
    fit = document.fit
    per_unit = unit.from_nm(1.0 / abs(fit.line.counts_per_nm))
    agrees = "agrees with zero" if fit.intercept_agrees else "does not agree with zero"
    intercept = value_with_uncertainty(fit.intercept_counts, 2.0 * fit.intercept_u_counts)
    hysteresis = (
        "no falling series" if fit.hysteresis_nm is None else shown_torque(fit.hysteresis_nm, unit, 2)
    )
    return [
        ("as found, beside the calibration before it", _change(document)),
        ("bare rig, without the arm", _bare(document)),
        *(shunt_facts(document.shunts) or [("shunt across an arm of the bridge", NOT_ON_RECORD)]),
        ("largest distance from the line of its mounting", shown_torque(fit.line.residual_nm, unit, 2)),
        ("of that more than weights and angles account for", shown_torque(fit.line.departure_nm, unit, 2)),
        ("scatter about the line of each mounting, s", shown_torque(fit.scatter_nm, unit, 2)),
        ("falling against rising at one load, at most", hysteresis),
        ("change of zero over a series, at most", shown_torque(fit.zero_return_nm, unit, 2)),
        ("one count", f"{rounded(per_unit, 2)} {unit.value}"),
        ("intercept of a line with one, ± 2 u", f"{intercept} counts: {agrees}"),
        ("its covariance (intercept, slope)", _covariance(document, unit)),
    ]


def curve_facts(numbers: Numbers, unit: TorqueUnit) -> Facts:
    """Which polynomial the rising readings ask for, and its coefficients where it is no straight line."""
    choice, one = numbers.choice, unit.from_nm(1.0)
    facts = [("curve that the rising readings ask for", choice.why)]
    if choice.degree > 1:
        terms = (
            f"{rounded(value / one**power, ALL_DIGITS)} counts/({unit.value}){_POWERS[power]}"
            for power, value in enumerate(choice.curve.fit.coefficients.tolist(), 1)
        )
        facts.append(("its coefficients (covariance in the data)", "; ".join(terms)))
    return facts


def _change(document: Document) -> str:
    change = document.change
    if change is None:
        return "none before it gives a line for this rig, direction and these settings"
    stated = value_with_uncertainty(100.0 * change.change, 100.0 * change.expanded)
    verdict = "agrees" if change.agrees else "does not agree"
    return (
        f"{shortened(change.earlier_id)} of {change.earlier_taken_at[:10]} would have read {stated} % off "
        f"(95 %): E_n {change.en:.2f}, {verdict}"
    )


def _bare(document: Document) -> str:
    bare, ratio = document.bare, document.made.settings.mv_per_v_per_count
    if bare is None:
        return NOT_ON_RECORD
    reads = f"{bare.mean_counts:.1f} counts"
    return reads if ratio is None else f"{reads}, {rounded(ratio * bare.mean_counts)} mV/V"


def _stands_out(document: Document, numbers: Numbers) -> str:
    """The reading that an outlier test flags; a person decides about it."""
    if numbers.stands_out is None:
        return ""
    rising = [row for row in document.fit.steps if row.branch == "up"]
    number = rising[numbers.stands_out].number
    return (
        f"Reading {number} stands out (Grubbs, 5 %): a person decides whether something was wrong with it; "
        "until then it is kept."
    )


def _covariance(document: Document, unit: TorqueUnit) -> str:
    (intercept, both), (_, slope) = document.fit.covariance
    one = unit.from_nm(1.0)
    values = (
        f"{rounded(intercept, SIX_DIGITS)} counts²",
        f"{rounded(both / one, SIX_DIGITS)} counts²/({unit.value})",
        f"{rounded(slope / one**2, SIX_DIGITS)} counts²/({unit.value})²",
    )
    return f"u² of intercept {values[0]}, covariance {values[1]}, u² of slope {values[2]}"


def _proof(document: Document) -> Facts:
    made = document.made.calibration
    verdict = "no: see the top of this page" if document.disagreements() else "yes, every one"
    return [
        ("computed by", f"anviltrace {__version__} (recorded by {made.software_version or NOT_ON_RECORD})"),
        ("do the recordings bear the readings out?", f"{verdict}: seals and means were worked out anew"),
        ("sha256 of the data", fingerprint(document)),
        ("data", f"{document.name}.json: facts, readings, results and every raw count"),
    ]
