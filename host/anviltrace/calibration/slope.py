"""The slope of a calibration as an uncertain number: reference torques, scatter of readings, mountings."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
from GTC import get_covariance, reporting, ureal

from anviltrace.calibration.inventory import Site
from anviltrace.calibration.leastsquares import Fit, apart, fit_polynomial
from anviltrace.calibration.lever import Lever
from anviltrace.records import Arm, Calibration, LoadStep, Mass

Numbers = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Loaded:
    """A load step with its reference torque as an uncertain number, clockwise positive."""

    step: LoadStep
    masses: tuple[Mass, ...]
    torque: Any
    net_counts: float


def load_all(
    ordered: Sequence[LoadStep],
    calibration: Calibration,
    masses: Mapping[str, Mass],
    arm: Arm,
    lever: Lever | None = None,
) -> list[Loaded]:
    """The steps under load with their reference torques, which share whatever the loads have in common.

    ``lever``, of this arm at this site, saves making one; see :func:`load_by`.
    """
    lever = Lever(arm, site_of(calibration)) if lever is None else lever
    return load_by(lever, ordered, calibration.sign, masses)


def load_by(lever: Lever, ordered: Sequence[LoadStep], sign: int, masses: Mapping[str, Mass]) -> list[Loaded]:
    """The same by a lever that may share its weights with another; equal loads are one uncertain number."""
    tares, levels, known = tare(ordered), _zero_angles_deg(ordered), {}
    found = []
    for step in ordered:
        if step.branch == "zero":
            continue
        hung = tuple(masses[mass_id] for mass_id in step.mass_ids)
        asked = step.mass_ids, step.angle_deg, levels[step.series]
        if asked not in known:
            known[asked] = sign * lever.since_zero_nm(hung, step.angle_deg, levels[step.series])
        found.append(Loaded(step, hung, known[asked], step.mean_counts - tares[step.series]))
    return found


def _zero_angles_deg(ordered: Sequence[LoadStep]) -> dict[int, float]:
    """Angle of the arm at the zeros of each series."""
    return {step.series: step.angle_deg for step in ordered if step.branch == "zero"}


def tare(ordered: Sequence[LoadStep]) -> dict[int, float]:
    """Mean of the zeros of each series, in counts."""
    zeros: dict[int, list[float]] = {}
    for step in ordered:
        if step.branch == "zero":
            zeros.setdefault(step.series, []).append(step.mean_counts)
    return {series: math.fsum(means) / len(means) for series, means in zeros.items()}


@dataclass(frozen=True, slots=True)
class Mountings:
    """How the mountings of a calibration differ in slope.

    ``slopes``, shape (m,), are those of the mountings in counts per N·m, in the order of ``numbers``;
    ``spread_counts_per_nm`` is the standard deviation between the slopes of their rising readings and
    ``u_new_counts_per_nm`` the standard uncertainty that a new mounting gives the slope through all of them,
    with m − 1 degrees of freedom; both are zero for one mounting, which cannot tell. ``within`` is the fit
    with a slope for each: its scatter does not hold what remounting does.
    """

    numbers: tuple[int, ...]
    slopes: tuple[float, ...]
    spread_counts_per_nm: float
    u_new_counts_per_nm: float
    within: Fit

    @property
    def dof(self) -> int:
        """Degrees of freedom of the difference between mountings."""
        return len(self.slopes) - 1

    def slope(self, mounting: int) -> float:
        """Slope of one mounting, in counts per N·m."""
        return self.slopes[self.numbers.index(mounting)]


def compare_mountings(
    torque_nm: Numbers, net_counts: Numbers, mounting: npt.ArrayLike, rising: npt.ArrayLike
) -> Mountings:
    """Slopes through zero of each mounting and what they say of the next one; arrays of equal length.

    The slope s through all readings is the mean of the mountings' slopes weighted by w, their shares of the
    squared torques. A new mounting differs from it with the variance s_m²·(1 + Σ w²), where s_m is the
    standard deviation between the mountings, of their ``rising`` readings: a mounting that was read on the
    way down as well would differ by the hysteresis alone.
    """
    labels, up = np.asarray(mounting), np.asarray(rising, dtype=bool)
    numbers = tuple(np.unique(labels).tolist())
    inside = [labels == number for number in numbers]
    compared = [one & up if (one & up).any() else one for one in inside]
    squares = np.array([torque_nm[one] @ torque_nm[one] for one in inside])
    slopes = tuple(_slope(torque_nm[one], net_counts[one]) for one in inside)
    rising_slopes = [_slope(torque_nm[one], net_counts[one]) for one in compared]
    spread = float(np.std(rising_slopes, ddof=1)) if len(numbers) > 1 else 0.0
    shares = squares / squares.sum()
    u_new = spread * math.sqrt(1.0 + float(shares @ shares))
    within = fit_polynomial(torque_nm, net_counts, (1,), apart(torque_nm, labels))
    return Mountings(numbers, slopes, spread, u_new, within)


def _slope(torque_nm: Numbers, net_counts: Numbers) -> float:
    return float(torque_nm @ net_counts / (torque_nm @ torque_nm))


def uncertain_slope(loaded: Sequence[Loaded], ordered: Sequence[LoadStep], mountings: Mountings) -> Any:
    """Counts per N·m by least squares through zero, an uncertain real number of GTC, for a new mounting.

    ``mountings`` tells how the readings scatter within a mounting, and the mountings among themselves.
    """
    same: dict[int, list[Loaded]] = {}
    for one in loaded:
        same.setdefault(id(one.torque), []).append(one)
    crossed = sum(ones[0].torque * math.fsum(one.net_counts for one in ones) for ones in same.values())
    squared = sum(ones[0].torque * ones[0].torque * len(ones) for ones in same.values())
    fit = mountings.within
    scatter = fit.residual_sd * math.sqrt(1.0 / float(squared.x) + _zero_weight(loaded, ordered))
    slope = crossed / squared + ureal(0.0, scatter, df=fit.dof, label="scatter of the readings")
    if mountings.dof == 0:
        return slope
    u_new = mountings.u_new_counts_per_nm
    return slope + ureal(0.0, u_new, df=mountings.dof, label="from one mounting to the next")


def _zero_weight(loaded: Sequence[Loaded], ordered: Sequence[LoadStep]) -> float:
    """Variance that the scatter of the zeros gives the slope, as a multiple of one reading's variance."""
    torque_nm: Numbers = np.array([one.torque.x for one in loaded])
    weight = 0.0
    for series in {one.step.series for one in loaded}:
        inside = np.array([one.step.series == series for one in loaded])
        zeros = sum(step.series == series and step.branch == "zero" for step in ordered)
        weight += float(torque_nm[inside].sum() / (torque_nm @ torque_nm)) ** 2 / zeros
    return weight


def rising_torques(loaded: Sequence[Loaded]) -> dict[tuple[str, ...], Any]:
    """Uncertain reference torque of each rising load by the ids of what hangs; lowest torque first."""
    found = {tuple(sorted(one.step.mass_ids)): one.torque for one in loaded if one.step.branch == "up"}
    return dict(sorted(found.items(), key=lambda item: abs(float(item[1].x))))


def covariance_nm2(torques: Mapping[tuple[str, ...], Any]) -> Numbers:
    """Covariance of uncertain torques in their order, shape (loads, loads), in N²·m²."""
    ordered = list(torques.values())
    covariance = np.empty((len(ordered), len(ordered)))
    for row, one in enumerate(ordered):
        for column, other in enumerate(ordered[: row + 1]):
            covariance[row, column] = covariance[column, row] = get_covariance(one, other)
    return covariance


def relative_parts(slope: Any) -> dict[str, float]:
    """Relative standard uncertainty of the slope by source."""
    parts: dict[str, float] = {}
    for influence in reporting.budget(slope, trim=0):
        parts[influence.label] = math.hypot(parts.get(influence.label, 0.0), influence.u / abs(slope.x))
    return parts


def site_of(calibration: Calibration) -> Site:
    """Gravity and air that a calibration was made at."""
    return Site(
        calibration.gravity_m_per_s2,
        calibration.gravity_u_m_per_s2,
        calibration.gravity_source,
        calibration.air_density_kg_per_m3,
        calibration.air_density_u_kg_per_m3,
    )
