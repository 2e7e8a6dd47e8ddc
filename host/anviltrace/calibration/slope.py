"""The slope of a calibration as an uncertain number: reference torques, scatter of readings and of zeros."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
from GTC import reporting, ureal

from anviltrace.calibration.inventory import Site
from anviltrace.calibration.leastsquares import Fit
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
    ordered: Sequence[LoadStep], calibration: Calibration, masses: Mapping[str, Mass], arm: Arm
) -> list[Loaded]:
    """The steps under load with their reference torques, which share whatever the loads have in common."""
    lever, tares = Lever(arm, _site(calibration)), tare(ordered)
    return [_load(step, lever, masses, calibration.sign, tares) for step in ordered if step.branch != "zero"]


def tare(ordered: Sequence[LoadStep]) -> dict[int, float]:
    """Mean of the zeros of each series, in counts."""
    zeros: dict[int, list[float]] = {}
    for step in ordered:
        if step.branch == "zero":
            zeros.setdefault(step.series, []).append(step.mean_counts)
    return {series: math.fsum(means) / len(means) for series, means in zeros.items()}


def uncertain_slope(loaded: Sequence[Loaded], ordered: Sequence[LoadStep], fit: Fit) -> Any:
    """Counts per N·m by least squares through zero, an uncertain real number of GTC.

    ``fit`` is the same line without the uncertainty of the torques: it tells how the readings scatter.
    """
    crossed = sum(one.torque * one.net_counts for one in loaded)
    squared = sum(one.torque * one.torque for one in loaded)
    scatter = math.hypot(fit.u(1), fit.residual_sd * math.sqrt(_zero_weight(loaded, ordered)))
    return crossed / squared + ureal(0.0, scatter, df=fit.dof, label="scatter of the readings")


def _zero_weight(loaded: Sequence[Loaded], ordered: Sequence[LoadStep]) -> float:
    """Variance that the scatter of the zeros gives the slope, as a multiple of one reading's variance."""
    torque_nm: Numbers = np.array([one.torque.x for one in loaded])
    weight = 0.0
    for series in {one.step.series for one in loaded}:
        inside = np.array([one.step.series == series for one in loaded])
        zeros = sum(step.series == series and step.branch == "zero" for step in ordered)
        weight += float(torque_nm[inside].sum() / (torque_nm @ torque_nm)) ** 2 / zeros
    return weight


def relative_parts(slope: Any) -> dict[str, float]:
    """Relative standard uncertainty of the slope by source."""
    parts: dict[str, float] = {}
    for influence in reporting.budget(slope, trim=0):
        parts[influence.label] = math.hypot(parts.get(influence.label, 0.0), influence.u / abs(slope.x))
    return parts


def _site(calibration: Calibration) -> Site:
    return Site(
        calibration.gravity_m_per_s2,
        calibration.gravity_u_m_per_s2,
        calibration.gravity_source,
        calibration.air_density_kg_per_m3,
        calibration.air_density_u_kg_per_m3,
    )


def _load(
    step: LoadStep, lever: Lever, masses: Mapping[str, Mass], sign: int, tares: Mapping[int, float]
) -> Loaded:
    hung = tuple(masses[mass_id] for mass_id in step.mass_ids)
    torque = sign * lever.torque_nm(hung, step.angle_deg)
    return Loaded(step, hung, torque, step.mean_counts - tares[step.series])
