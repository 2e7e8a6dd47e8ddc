"""Everything that the readings of a calibration say beyond the line that runs are converted with."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from anviltrace.calibration.budget import Basis, Budget, Case, Input, make_budget, smallest_usable_nm
from anviltrace.calibration.classes import IndicativeClass, indicate
from anviltrace.calibration.conformity import DecisionRule
from anviltrace.calibration.departure import distance_variance_nm2, share_beyond
from anviltrace.calibration.indications import Indication, indications, split
from anviltrace.calibration.lever import OWN_CENTRE, OWN_MASS, Lever
from anviltrace.calibration.line import Contribution, LineFit
from anviltrace.calibration.model import Choice, Curve, choose_model
from anviltrace.calibration.outliers import stands_out
from anviltrace.calibration.profiles import OWN, Profile, Rule
from anviltrace.calibration.quantities import Quantities, find_quantities, resolution
from anviltrace.calibration.secondarm import Noise, SecondArm, Side, compare_arms
from anviltrace.calibration.slope import covariance_nm2, load_all, rising_torques
from anviltrace.errors import CalibrationError
from anviltrace.records import Arm, Calibration, LoadStep, Mass, Spread

Matrix = npt.NDArray[np.float64]

RESOLUTIONS = 200.0
"""The smallest usable torque is so many resolutions at least: for class 1, from memory of BS 7882."""
_ROOT3 = math.sqrt(3.0)


@dataclass(frozen=True, slots=True)
class Numbers:
    """Quantities at each load, the model that the readings ask for, and what budgets are made from.

    ``model_changes`` are, for each load in N·m, the torque by the chosen curve less the torque by the line
    that runs are converted with, at the reading which the line gives that load, and the curve's standard
    uncertainty there without the reference torques' share, both in N·m. ``stands_out`` is the rising
    reading that Grubbs' test flags, in order of time from 0: among the residuals of the chosen curve, less
    their mean at each load that was repeated, so that a wrong weight is not taken for a wrong reading.
    ``load_covariance_nm2`` is that of the reference torques of the rising loads, lowest first.
    """

    fit: LineFit
    read: tuple[Indication, ...]
    quantities: Quantities
    choice: Choice
    basis: Basis
    model_changes: Mapping[float, tuple[float, float]]
    stands_out: int | None
    load_covariance_nm2: Matrix

    @property
    def cases(self) -> tuple[Case, ...]:
        """The results that the plan allows."""
        return (Case.RISING,) if self.quantities.both_counts_per_nm is None else (Case.RISING, Case.BOTH)

    def budget(self, torque_nm: float, case: Case, profile: Profile = OWN) -> Budget:
        """The budget at a torque, a magnitude; raises CalibrationError where there is none."""
        return make_budget(self.basis, torque_nm, case, profile)

    def slope_differs(self, case: Case) -> float:
        """Slope of a result over that of the line runs are converted with, less one."""
        found = self.quantities
        slope = found.rising_counts_per_nm if case is Case.RISING else found.both_counts_per_nm
        if slope is None:
            raise CalibrationError(found.missing["line_both_percent"])
        return slope / (self.fit.line.sign * self.fit.line.counts_per_nm) - 1.0

    def smallest_usable_nm(self, case: Case, limit_percent: float, profile: Profile = OWN) -> float | None:
        """From which torque on the expanded uncertainty stays within a limit; None if not at the top.

        Never below the lowest load nor below 200 resolutions.
        """
        levels = self.quantities.levels
        resolution_nm = self.quantities.resolution_counts / self.basis.counts_per_nm
        least_nm = max(levels[0].torque_nm, RESOLUTIONS * resolution_nm)
        return smallest_usable_nm(
            lambda torque_nm: self.budget(torque_nm, case, profile).expanded_percent,
            least_nm,
            levels[-1].torque_nm,
            limit_percent,
        )

    def indicative_class(self, case: Case, rule: DecisionRule = DecisionRule.SIMPLE) -> IndicativeClass:
        """The class of static calibration the range would support, from memory of a standard's table."""
        under_load = [row for row in self.fit.steps if row.branch != "zero"]
        reference = max(200.0 * row.reference_u_nm / abs(row.reference_nm) for row in under_load)
        return indicate(self.quantities, case, reference, rule, self._fit_u_percent(case))

    def _fit_u_percent(self, case: Case) -> list[float] | None:
        """What the reference torques leave open in the distance from the fitted curve, for each load.

        An error that all loads share in proportion turns the curve and shows in no distance from it.
        """
        torque_nm = np.array([level.torque_nm for level in self.quantities.levels])
        if len(torque_nm) != len(self.load_covariance_nm2):
            return None
        powers = (1, 2, 3) if case is Case.RISING and len(torque_nm) > 3 else (1,)
        variance_nm2 = distance_variance_nm2(torque_nm, self.load_covariance_nm2, powers)
        return list(100.0 * np.sqrt(variance_nm2) / torque_nm)


def work_out(
    steps: Sequence[LoadStep],
    calibration: Calibration,
    masses: Mapping[str, Mass],
    arm: Arm,
    fit: LineFit,
    side: Side | None = None,
    lever: Lever | None = None,
) -> Numbers:
    """All numbers of a calibration whose line is ``fit``; ``masses`` by id; ``side``: a second arm's series.

    ``lever``, of this arm at this site, saves making one where many calibrations have it in common.

    Raises CalibrationError where no series rises.
    """
    ordered = sorted(steps, key=lambda step: step.number)
    loaded = load_all(ordered, calibration, masses, arm, lever)
    read = indications(ordered, loaded)
    quantities = find_quantities(read, resolution(ordered))
    covariance = covariance_nm2(rising_torques(loaded))
    choice = choose_model(read, covariance)
    hung = {mass.name: mass for mass in masses.values()}
    noise = _noise(choice.curve, len({one.mounting for one in split(read) if one.up}))
    second = None if side is None else compare_arms(ordered, calibration, masses, arm, side, noise)
    return Numbers(
        fit=fit,
        read=read,
        quantities=quantities,
        choice=choice,
        basis=_basis(fit, read, quantities, choice, _Described(calibration, hung, arm), second, covariance),
        model_changes=_model_changes(fit, quantities, choice),
        stands_out=stands_out(_against_replicates(read, choice)),
        load_covariance_nm2=covariance,
    )


def _beyond(found: Quantities, covariance: Matrix) -> dict[Case, float]:
    """What is left of the distances from the line of each result beyond what the loads account for."""
    torque_nm = np.array([level.torque_nm for level in found.levels])
    if len(torque_nm) != len(covariance):
        return dict.fromkeys(Case, 1.0)
    variance_nm2 = distance_variance_nm2(torque_nm, covariance, (1,))
    percent = {
        Case.RISING: [level.line_percent or 0.0 for level in found.levels],
        Case.BOTH: [level.line_both_percent or 0.0 for level in found.levels],
    }
    return {
        case: share_beyond(np.array(values) / 100.0 * torque_nm, variance_nm2)
        for case, values in percent.items()
    }


def _against_replicates(read: Sequence[Indication], choice: Choice) -> Matrix:
    """Residuals of the rising readings less their mean at each load that was repeated."""
    residuals = choice.curve.fit.residuals
    _, place = np.unique([one.load for one in read if one.branch == "up"], return_inverse=True)
    times = np.bincount(place)
    means = np.bincount(place, weights=residuals) / times
    return residuals - np.where(times[place] > 1, means[place], 0.0)


def _model_changes(fit: LineFit, found: Quantities, choice: Choice) -> dict[float, tuple[float, float]]:
    """Withheld where the curve does not reach the reading, which may lie just beyond the highest."""
    changes = {}
    for level in found.levels:
        torque_nm = fit.line.sign * level.torque_nm
        net_counts = torque_nm * fit.line.counts_per_nm
        if not choice.curve.why_withheld(net_counts):
            found_nm = choice.curve.torque_nm(net_counts)
            u_nm = choice.curve.standard_uncertainty_nm(found_nm)
            changes[level.torque_nm] = found_nm - torque_nm, u_nm
    return changes


def _noise(curve: Curve, mountings: int) -> Noise:
    sd, dof = _scatter(curve)
    return Noise(sd, dof, mountings, curve.mounting_sd_relative, float(curve.mounting_dof or math.inf))


def _scatter(curve: Curve) -> tuple[float, float]:
    """Standard deviation of one reading within a mounting, in counts, with its degrees of freedom."""
    test = curve.lack_of_fit
    sd, dof = (curve.fit.residual_sd, curve.fit.dof) if test is None else (test.pure_sd, test.pure_dof)
    return sd, float(dof)


def _basis(
    fit: LineFit,
    read: Sequence[Indication],
    found: Quantities,
    choice: Choice,
    described: _Described,
    second: SecondArm | None,
    covariance: Matrix,
) -> Basis:
    per_nm, curve = abs(fit.line.counts_per_nm), choice.curve
    sd, dof = _scatter(curve)
    other = ("scatter of the readings", "from one mounting to the next", "departure from the line")
    inputs = tuple(described.input(part) for part in fit.contributions if part.source not in other)
    line = next((part for part in fit.contributions if part.source == other[0]), None)
    within = sum(row.branch != "zero" for row in fit.steps) - 1 - curve.mounting_dof
    scatter = () if line is None else (_statistic("line", line.source, line.u_relative, per_nm, within),)
    statistics = {case: scatter + _mounting(curve, per_nm, _mountings(read, case)) for case in Case}
    return Basis(found, per_nm, inputs, statistics, sd / per_nm, dof, second, _beyond(found, covariance))


def _mountings(read: Sequence[Indication], case: Case) -> int:
    """How many mountings the slope of a result is the mean of."""
    return len({one.mounting for one in split(read) if one.up and (case is Case.RISING or one.down)})


def _mounting(curve: Curve, per_nm: float, mountings: int) -> tuple[Input, ...]:
    """A new mounting against the mean of so many."""
    if curve.mounting_sd_relative is None or mountings == 0:
        return ()
    u = curve.mounting_sd_relative * math.sqrt(1.0 + 1.0 / mountings)
    return (_statistic("m", "from one mounting to the next", u, per_nm, curve.mounting_dof),)


def _statistic(symbol: str, source: str, u_relative: float, per_nm: float, dof: int) -> Input:
    rule = Rule("normal", 1.0)
    return Input(symbol, source, "counts/N·m", per_nm, u_relative * per_nm, rule, u_relative, float(dof))


@dataclass(frozen=True, slots=True)
class _Described:
    """Symbol, value, width and distribution of what a reference torque is made from; masses by name."""

    calibration: Calibration
    masses: Mapping[str, Mass]
    arm: Arm

    def input(self, part: Contribution) -> Input:
        made, arm, name = self.calibration, self.arm, part.source
        if name == "arm length":
            return _given("L", part, "m", arm.length_m, arm.u_m, arm.spread, arm.dof)
        if name == OWN_MASS:
            u_kg = arm.own_mass_u_kg
            return _given("m₀", part, "kg", arm.own_mass_kg or 0.0, u_kg, Spread.RECTANGULAR)
        if name == OWN_CENTRE:
            return _given("x₀", part, "m", arm.own_centre_m, arm.own_centre_u_m, Spread.RECTANGULAR)
        if name == "gravity":
            return _given("g", part, "m/s²", made.gravity_m_per_s2, made.gravity_u_m_per_s2)
        if name == "air density":
            return _given("ρa", part, "kg/m³", made.air_density_kg_per_m3, made.air_density_u_kg_per_m3)
        if name == "arm angle":
            rule = Rule("rectangular, to second order", _ROOT3)
            return Input("θ", name, "°", arm.angle_deg, arm.angle_within_deg, rule, part.u_relative)
        return self._of_a_mass(part)

    def _of_a_mass(self, part: Contribution) -> Input:
        mass = self.masses.get(part.source.partition(" of ")[2])
        if mass is not None and part.source.startswith("mass of "):
            return _given("m", part, "kg", mass.mass_kg, mass.u_kg, mass.spread, mass.dof)
        if mass is not None and part.source.startswith("density of "):
            return _given("ρ", part, "kg/m³", mass.density_kg_per_m3, mass.density_u_kg_per_m3)
        return Input("", part.source, "1", 1.0, part.u_relative, Rule("normal", 1.0), part.u_relative)


def _given(
    symbol: str,
    part: Contribution,
    unit: str,
    estimate: float,
    u: float,
    spread: Spread = Spread.NORMAL,
    dof: float | None = None,
) -> Input:
    degrees = math.inf if dof is None else dof
    flat = spread is Spread.RECTANGULAR
    rule = Rule("rectangular", _ROOT3) if flat else Rule("normal", 1.0)
    return Input(symbol, part.source, unit, estimate, u * rule.divisor, rule, part.u_relative, degrees)
