"""A known weight beside a calibration: does the rig still read as it did?

The difference between reading and reference is held against its own expanded uncertainty (E_n, as in
ISO 13528, from memory: at most 1 agrees). What calibration and check have in common is in both, so it
neither shows in the difference nor counts in its uncertainty: with the same arm the check says nothing
about the arm.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

from anviltrace.calibration.betweenzeros import net_counts, net_u_counts
from anviltrace.calibration.choose import Candidate, why_other_settings
from anviltrace.calibration.coverage import coverage_factor
from anviltrace.calibration.inventory import Site
from anviltrace.calibration.lever import Lever
from anviltrace.calibration.line import Line
from anviltrace.calibration.shared import difference_u, in_common, repeatable, sources_of_line
from anviltrace.calibration.slope import relative_parts
from anviltrace.errors import CalibrationError
from anviltrace.records import Arm, CheckReading, Mass, Settings

_NEGLIGIBLE = 1e-5
"""Relative standard uncertainty below which an input is not worth naming."""
ONE_HANGING = "One hanging: what fitting the arm anew changes is part of the difference."


@dataclass(frozen=True, slots=True)
class Checked:
    """A check with everything its result is computed from; ``masses`` are those that hung."""

    check: CheckReading
    rig_id: str
    settings: Settings
    masses: tuple[Mass, ...]
    arm: Arm

    def why_another_kind(self, other: Checked) -> str:
        """Why ``other`` does not belong into one control chart with this one; empty when it does."""
        mine, its = self.check, other.check
        if self.rig_id != other.rig_id or mine.sign != its.sign:
            return "another rig or direction"
        if mine.arm_id != its.arm_id or set(mine.mass_ids) != set(its.mass_ids):
            return "another arm or other weights"
        if mine.angle_deg != its.angle_deg:
            return "another angle of the arm"
        return why_other_settings(self.settings, other.settings)


@dataclass(frozen=True, slots=True)
class CheckResult:
    """What a check comes to. Torques carry their sign, ``_expanded_`` is half of a 95 % interval.

    ``difference_nm`` is reading less reference; ``en`` is its magnitude over its expanded uncertainty,
    ``deviation`` its share of the reference. ``in_common`` names inputs that cannot show in it.
    """

    calibration_id: str
    reading_nm: float
    reading_expanded_nm: float
    reference_nm: float
    reference_expanded_nm: float
    difference_nm: float
    difference_expanded_nm: float
    zero_moved_nm: float
    in_common: tuple[str, ...]
    cannot_tell: tuple[str, ...]

    @property
    def en(self) -> float:
        """Magnitude of the difference over its expanded uncertainty."""
        return abs(self.difference_nm) / self.difference_expanded_nm

    @property
    def agrees(self) -> bool:
        """Whether the difference lies within its expanded uncertainty."""
        return abs(self.difference_nm) <= self.difference_expanded_nm

    @property
    def deviation(self) -> float:
        """The difference as a share of the reference."""
        return self.difference_nm / self.reference_nm


def reference_torque(checked: Checked) -> Any:
    """Torque of the weights, clockwise positive: an uncertain real number of GTC, in N·m."""
    check = checked.check
    site = Site(
        check.gravity_m_per_s2,
        check.gravity_u_m_per_s2,
        check.gravity_source,
        check.air_density_kg_per_m3,
        check.air_density_u_kg_per_m3,
    )
    lever = Lever(checked.arm, site)
    return check.sign * lever.since_zero_nm(checked.masses, check.angle_deg, checked.arm.angle_deg)


def hold_against(checked: Checked, candidate: Candidate) -> CheckResult:
    """The check's reading by a calibration, beside its reference torque.

    Raises CalibrationError when the calibration gives no line, or withholds a torque of this size.
    """
    fit, check = candidate.fit(), checked.check
    line, reference = fit.line, reference_torque(checked)
    if reason := line.why_withheld(reference.x):
        raise CalibrationError(reason)
    reading_nm = line.torque_nm(_net_counts(check))
    size = abs(reference.x)
    line_u = line.standard_uncertainty_nm(size) / size
    reading_u = math.hypot(line_u, _reading_u_counts(check) / abs(line.counts_per_nm) / size)
    by_line = sources_of_line(fit, candidate.calibration, candidate.masses.values(), candidate.arm)
    by_weight = repeatable(relative_parts(reference), check, checked.masses, checked.arm)
    by_both = (line_u, line.degrees_of_freedom(size)), (reference.u / size, float(reference.df))
    apart_u = difference_u(reading_u, reference.u / size, by_line, by_weight)
    return CheckResult(
        calibration_id=line.calibration_id,
        reading_nm=reading_nm,
        reading_expanded_nm=_expanded(size, reading_u, (line_u, line.degrees_of_freedom(size))),
        reference_nm=float(reference.x),
        reference_expanded_nm=coverage_factor(float(reference.df)) * float(reference.u),
        difference_nm=reading_nm - float(reference.x),
        difference_expanded_nm=_expanded(size, apart_u, *by_both),
        zero_moved_nm=(check.after_counts - check.before_counts) / line.counts_per_nm,
        in_common=tuple(
            source[0] for source in in_common(by_line, by_weight) if by_weight[source] > _NEGLIGIBLE
        ),
        cannot_tell=(ONE_HANGING, *_outside(line, size)),
    )


def deviation(checked: Checked, line: Line) -> float:
    """Reading less reference as a share of it.

    A control chart takes all its checks by one line, so that a new calibration is no jump of the rig.
    """
    return line.torque_nm(_net_counts(checked.check)) / float(reference_torque(checked).x) - 1.0


def _net_counts(check: CheckReading) -> float:
    return net_counts(check.before_counts, check.load_counts, check.after_counts)


def _reading_u_counts(check: CheckReading) -> float:
    return net_u_counts(check.before_counts, check.after_counts, check.sd_counts, check.samples)


def _expanded(size_nm: float, u: float, *parts: tuple[float, float]) -> float:
    """Half width of the 95 % interval in N·m, from relative uncertainties.

    Only the ``parts`` (relative u, degrees of freedom) have less than infinite degrees of freedom; what both
    have in common is counted in both, which makes the interval no narrower (Welch-Satterthwaite).
    """
    weakness = math.fsum(part**4 / dof for part, dof in parts)
    degrees = math.inf if weakness == 0.0 else u**4 / weakness
    return coverage_factor(degrees) * u * size_nm


def _outside(line: Line, size_nm: float) -> list[str]:
    if line.lowest_nm <= size_nm <= line.highest_nm:
        return []
    return [
        f"{size_nm:.1f} N·m is outside the hung loads of the calibration, {line.lowest_nm:.1f} to "
        f"{line.highest_nm:.1f} N·m."
    ]
