"""The part of a report about calibrations, as plain data for its template."""

from __future__ import annotations

from typing import Any

from anviltrace.calibration.coverage import coverage_factor
from anviltrace.calibration.line import Contribution, Line, StepRow
from anviltrace.metrics.figures import rounded, value_with_uncertainty
from anviltrace.publish.material import CalibrationUsed, Material
from anviltrace.publish.shunts import session_facts
from anviltrace.publish.words import shortened
from anviltrace.records import readable_time, turning
from anviltrace.units import TorqueUnit


def calibration_parts(material: Material) -> list[dict[str, Any]]:
    """A part for each calibration that results rest on."""
    return [_part(used, material.unit) for used in material.calibrations]


def _part(used: CalibrationUsed, unit: TorqueUnit) -> dict[str, Any]:
    calibration, fit = used.calibration, used.fit
    direction = turning(calibration.sign)
    return {
        "heading": f"{direction} torque, {readable_time(calibration.taken_at)} UTC",
        "facts": _facts(used, unit),
        "steps": [_step(step, unit) for step in fit.steps],
        "parts": [contribution_cells(part) for part in fit.contributions],
        "remarks": list(fit.cannot_tell),
    }


def _facts(used: CalibrationUsed, unit: TorqueUnit) -> list[tuple[str, str]]:
    calibration, fit, arm = used.calibration, used.fit, used.arm
    line = fit.line
    masses = ", ".join(
        f"{mass.name} ({value_with_uncertainty(mass.mass_kg, 2 * mass.u_kg)} kg)" for mass in used.masses
    )
    facts = [
        ("calibration", shortened(calibration.id)),
        ("slope", stated_slope(line, unit)),
        ("k and degrees of freedom", stated_coverage(line)),
        ("at the highest load", stated_torque(line, line.highest_nm, unit)),
        ("hung weights", f"{shown_torque(line.lowest_nm, unit)} to {shown_torque(line.highest_nm, unit)}"),
        ("torque withheld above", shown_torque(line.limit_nm, unit)),
        ("largest residual", shown_torque(line.residual_nm, unit, 2)),
        ("zero return", shown_torque(fit.zero_return_nm, unit, 2)),
        ("arm", f"{arm.name}, {value_with_uncertainty(1000 * arm.length_m, 2000 * arm.u_m)} mm"),
        ("masses, ±2 u", masses),
        ("gravity", f"{calibration.gravity_m_per_s2:.5f} m/s² ({calibration.gravity_source})"),
    ]
    if fit.hysteresis_nm is not None:
        facts.append(("hysteresis", shown_torque(fit.hysteresis_nm, unit, 2)))
    if used.shunts:
        facts += session_facts(used.shunts[0], used.shunts[1:])
    if not fit.intercept_agrees:
        facts.append(
            ("caution", "the line with an intercept does not go through zero within its 95 % interval")
        )
    return facts


def stated_slope(line: Line, unit: TorqueUnit) -> str:
    """Sensitivity ± expanded uncertainty (95 %), with its unit."""
    slope = line.counts_per_nm / unit.from_nm(1.0)
    expanded = abs(slope) * coverage_factor(line.dof) * line.u_relative
    return f"{value_with_uncertainty(slope, expanded)} counts per {unit.value}"


def stated_coverage(line: Line) -> str:
    """Coverage factor of the sensitivity, and its degrees of freedom where they are not endless."""
    k = coverage_factor(line.dof)
    return f"{k:.2f} and {line.dof:.0f} (95 %)" if line.dof < 1e6 else f"{k:.2f} (95 %)"


def stated_torque(line: Line, torque_nm: float, unit: TorqueUnit) -> str:
    """A torque ± what the calibration leaves open about it (95 %), with its unit."""
    expanded = unit.from_nm(line.expanded_nm(torque_nm))
    return f"{value_with_uncertainty(unit.from_nm(torque_nm), expanded)} {unit.value}"


def shown_torque(torque_nm: float, unit: TorqueUnit, digits: int = 4) -> str:
    """A torque to so many digits, with its unit."""
    return f"{rounded(unit.from_nm(torque_nm), digits)} {unit.value}"


def _step(step: StepRow, unit: TorqueUnit) -> list[str]:
    return [
        str(step.number),
        step.branch,
        f"{step.mass_kg:.3f}",
        stated_reference(step, unit),
        f"{step.net_counts:.1f}",
        f"{unit.from_nm(step.residual_nm):+.3f}",
    ]


def stated_reference(step: StepRow, unit: TorqueUnit) -> str:
    """Reference torque ± two standard uncertainties, without the unit; exactly 0 with nothing hung."""
    reference = unit.from_nm(step.reference_nm)
    return value_with_uncertainty(reference, unit.from_nm(2.0 * step.reference_u_nm)) if reference else "0"


def contribution_cells(part: Contribution) -> list[str]:
    """Source, standard uncertainty in % of torque, share of the variance in %."""
    return [part.source, _percent(part.u_relative, 3), _percent(part.share, 1)]


def _percent(share: float, decimals: int) -> str:
    """In percent; what rounds to nothing is said to be small, unless it is nothing."""
    least = 10.0**-decimals
    return f"<{least:.{decimals}f}" if 0.0 < 100.0 * share < 0.5 * least else f"{100.0 * share:.{decimals}f}"
