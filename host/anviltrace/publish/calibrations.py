"""The part of a report about calibrations, as plain data for its template."""

from __future__ import annotations

from typing import Any

from anviltrace.calibration.line import Contribution, StepRow, coverage_factor
from anviltrace.metrics.figures import rounded, value_with_uncertainty
from anviltrace.publish.material import CalibrationUsed, Material
from anviltrace.publish.words import readable_time, shortened
from anviltrace.units import TorqueUnit


def calibration_parts(material: Material) -> list[dict[str, Any]]:
    """A part for each calibration that results rest on."""
    return [_part(used, material.unit) for used in material.calibrations]


def _part(used: CalibrationUsed, unit: TorqueUnit) -> dict[str, Any]:
    calibration, fit = used.calibration, used.fit
    direction = "clockwise" if calibration.sign > 0 else "counter-clockwise"
    return {
        "heading": f"{direction} torque, {readable_time(calibration.taken_at)} UTC",
        "facts": _facts(used, unit),
        "steps": [_step(step, unit) for step in fit.steps],
        "parts": [_contribution(part) for part in fit.contributions],
        "remarks": list(fit.cannot_tell),
    }


def _facts(used: CalibrationUsed, unit: TorqueUnit) -> list[tuple[str, str]]:
    calibration, fit, arm = used.calibration, used.fit, used.arm
    line = fit.line
    k = coverage_factor(line.dof)
    slope = line.counts_per_nm / unit.from_nm(1.0)
    masses = ", ".join(
        f"{mass.name} ({value_with_uncertainty(mass.mass_kg, 2 * mass.u_kg)} kg)" for mass in used.masses
    )
    facts = [
        ("calibration", shortened(calibration.id)),
        (
            "slope",
            f"{value_with_uncertainty(slope, abs(slope) * k * line.u_relative)} counts per {unit.value}",
        ),
        (
            "k and degrees of freedom",
            f"{k:.2f} and {line.dof:.0f} (95 %)" if line.dof < 1e6 else f"{k:.2f} (95 %)",
        ),
        ("at the highest load", _at_highest(used, unit)),
        ("hung weights", f"{_torque(line.lowest_nm, unit)} to {_torque(line.highest_nm, unit)}"),
        ("torque withheld above", _torque(line.limit_nm, unit)),
        ("largest residual", _torque(line.residual_nm, unit, 2)),
        ("zero return", _torque(fit.zero_return_nm, unit, 2)),
        ("arm", f"{arm.name}, {value_with_uncertainty(1000 * arm.length_m, 2000 * arm.u_m)} mm"),
        ("masses, ±2 u", masses),
        ("gravity", f"{calibration.gravity_m_per_s2:.5f} m/s² ({calibration.gravity_source})"),
    ]
    if fit.hysteresis_nm is not None:
        facts.append(("hysteresis", _torque(fit.hysteresis_nm, unit, 2)))
    if not fit.intercept_agrees:
        facts.append(
            ("caution", "the line with an intercept does not go through zero within its 95 % interval")
        )
    return facts


def _at_highest(used: CalibrationUsed, unit: TorqueUnit) -> str:
    line = used.fit.line
    highest, expanded = line.highest_nm, line.expanded_nm(line.highest_nm)
    return f"{value_with_uncertainty(unit.from_nm(highest), unit.from_nm(expanded))} {unit.value}"


def _torque(torque_nm: float, unit: TorqueUnit, digits: int = 4) -> str:
    return f"{rounded(unit.from_nm(torque_nm), digits)} {unit.value}"


def _step(step: StepRow, unit: TorqueUnit) -> list[str]:
    reference = unit.from_nm(step.reference_nm)
    stated = value_with_uncertainty(reference, unit.from_nm(2.0 * step.reference_u_nm)) if reference else "0"
    return [
        str(step.number),
        step.branch,
        f"{step.mass_kg:.3f}",
        stated,
        f"{step.net_counts:.1f}",
        f"{unit.from_nm(step.residual_nm):+.3f}",
    ]


def _contribution(part: Contribution) -> list[str]:
    return [part.source, f"{100 * part.u_relative:.3f}", f"{100 * part.share:.1f}"]
