"""Distributions propagated by drawing (JCGM 101:2008) beside the interval that a line states.

Drawn are all inputs of the reference torques from their stated distributions, the scatter and the mounting
from t distributions with their degrees of freedom (JCGM 101, 6.4.9), and the transducer's departure between
its two limits from the arcsine distribution, which is U-shaped (6.4.6).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from anviltrace.calibration.line import LineFit
from anviltrace.records import Arm, Calibration, LoadStep, Mass, Spread

Values = npt.NDArray[np.float64]


@dataclass(frozen=True)
class Beside:
    """Both 95 % intervals about a torque, N·m, and what their ends may differ by (clause 8).

    ``tolerance_nm`` is δ for two significant digits of u (7.9.2), ``sampling_nm`` the standard deviation of
    a drawn end. ``dof`` are the effective degrees of freedom of the stated interval.
    """

    stated_nm: tuple[float, float]
    drawn_nm: tuple[float, float]
    u_nm: float
    dof: float
    tolerance_nm: float
    sampling_nm: float

    @property
    def differences_nm(self) -> tuple[float, float]:
        """d_low and d_high of JCGM 101, 8.1."""
        low, high = (abs(a - b) for a, b in zip(self.stated_nm, self.drawn_nm, strict=True))
        return low, high

    @property
    def agrees(self) -> bool:
        """Whether both ends do, as far as so many draws can tell."""
        return max(self.differences_nm) <= self.tolerance_nm + 3.0 * self.sampling_nm


def numerical_tolerance(u: float, digits: int = 2) -> float:
    """δ of JCGM 101:2008, 7.9.2: half a unit of the last of so many significant digits of u."""
    exponent = math.floor(math.log10(u)) - digits + 1
    if round(u / 10.0**exponent) >= 10**digits:
        exponent += 1
    return 0.5 * 10.0**exponent


def draw_beside(
    fit: LineFit,
    steps: Sequence[LoadStep],
    made: Calibration,
    hung: Sequence[Mass],
    lever: Arm,
    torque_nm: float,
    draws: int,
    random: np.random.Generator,
) -> Beside:
    """The drawn interval beside the stated one, for a reading that the line makes ``torque_nm`` of."""
    line = fit.line
    torque = _drawn_torque(fit, steps, _References(made, hung, lever, draws, random), torque_nm, random)
    low, high = np.quantile(torque, [0.025, 0.975])
    u_nm, half = line.standard_uncertainty_nm(torque_nm), line.expanded_nm(torque_nm)
    density = np.mean(np.abs(torque - low) < 0.1 * u_nm) / (0.2 * u_nm)
    return Beside(
        (torque_nm - half, torque_nm + half),
        (float(low), float(high)),
        u_nm,
        line.degrees_of_freedom(torque_nm),
        numerical_tolerance(u_nm),
        math.sqrt(0.025 * 0.975 / draws) / float(density),
    )


class _References:
    """Drawn reference torques, shape (draws,), for weights hung at once."""

    def __init__(
        self, made: Calibration, hung: Sequence[Mass], lever: Arm, draws: int, random: np.random.Generator
    ) -> None:
        def draw(value: float, u: float, spread: Spread = Spread.NORMAL) -> Values:
            if spread is Spread.RECTANGULAR:
                return value + math.sqrt(3.0) * u * random.uniform(-1.0, 1.0, draws)
            return value + u * random.standard_normal(draws)

        gravity = draw(made.gravity_m_per_s2, made.gravity_u_m_per_s2)
        air = draw(made.air_density_kg_per_m3, made.air_density_u_kg_per_m3)
        tilt = np.radians(lever.angle_deg + lever.angle_within_deg * random.uniform(-1.0, 1.0, draws))
        per_newton = draw(lever.length_m, lever.u_m, lever.spread) * np.cos(tilt)
        self._torques = {
            mass.id: draw(mass.mass_kg, mass.u_kg, mass.spread)
            * gravity
            * (1.0 - air / draw(mass.density_kg_per_m3, mass.density_u_kg_per_m3))
            * per_newton
            for mass in hung
        }
        self.draws = draws

    def torque_nm(self, mass_ids: Sequence[str]) -> Values:
        """Of these weights together."""
        return np.sum([self._torques[mass_id] for mass_id in mass_ids], axis=0)


def _drawn_torque(
    fit: LineFit,
    steps: Sequence[LoadStep],
    references: _References,
    torque_nm: float,
    random: np.random.Generator,
) -> Values:
    line, parts = fit.line, {part.source: part.u_relative for part in fit.contributions}
    loaded = [(step, row) for step, row in zip(steps, fit.steps, strict=True) if step.branch != "zero"]
    crossed, squared = np.zeros(references.draws), np.zeros(references.draws)
    for mass_ids in {step.mass_ids for step, _ in loaded}:
        here = [row.net_counts for step, row in loaded if step.mass_ids == mass_ids]
        torque = line.sign * references.torque_nm(mass_ids)
        crossed += torque * sum(here)
        squared += torque**2 * len(here)
    mountings = len({step.mounting for step, _ in loaded})
    scatter = random.standard_t(len(loaded) - mountings, references.draws) * parts["scatter of the readings"]
    slope = crossed / squared + line.counts_per_nm * scatter
    if mountings > 1:
        new = random.standard_t(mountings - 1, references.draws) * parts["from one mounting to the next"]
        slope += line.counts_per_nm * new
    departure = line.departure_nm * np.cos(np.pi * random.random(references.draws))
    return torque_nm * line.counts_per_nm / slope + departure
