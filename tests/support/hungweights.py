"""A calibration on paper: an inventory, and load steps as a transducer of one's choice would show them."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from workshop import fixed_id

from anviltrace.calibration.line import LineFit, fit_line
from anviltrace.records import Arm, Calibration, LoadStep, Mass, Spread

COUNTS_PER_NM = 2000.0
ZERO_COUNTS = 1000.0
Reads = Callable[[float], float]


def masses(u_kg: float = 0.008, spread: Spread = Spread.NORMAL) -> tuple[Mass, ...]:
    """A hanger of 1 kg and four plates of 10 kg; the hanger is known ten times better."""
    hanger = Mass(fixed_id(20), "hanger", 1.0, u_kg / 10.0, spread)
    plates = (Mass(fixed_id(21 + k), f"plate {'ABCD'[k]}", 10.0, u_kg, spread) for k in range(4))
    return (hanger, *plates)


def arm(u_m: float = 0.0003, spread: Spread = Spread.NORMAL, angle_within_deg: float = 0.0) -> Arm:
    """An arm of 0.8 m."""
    return Arm(fixed_id(30), "long arm", 0.8, u_m, spread, 0.0, angle_within_deg)


def calibration(sign: int = 1, **changes: object) -> Calibration:
    """A calibration for torque of a sign, at 9.81 m/s²."""
    made = Calibration(
        id=fixed_id(40),
        session_id=fixed_id(8),
        settings_id=fixed_id(4),
        arm_id=fixed_id(30),
        sign=sign,
        taken_at="2026-05-04T09:00:00.000Z",
        gravity_m_per_s2=9.81,
        gravity_u_m_per_s2=9.81 * 50e-6,
        gravity_source="GRS80",
        air_density_kg_per_m3=1.2,
        air_density_u_kg_per_m3=0.03,
    )
    return replace(made, **changes)  # type: ignore[arg-type]


@dataclass(frozen=True)
class Nature:
    """What the workshop only knows to within its uncertainties; drawn from just these."""

    masses_kg: Mapping[str, float]
    densities: Mapping[str, float]
    gravity: float
    air: float
    length_m: float
    cosine: float

    @classmethod
    def as_stated(cls, hung: Sequence[Mass], lever: Arm, made: Calibration) -> Nature:
        """Everything is exactly what it is said to be."""
        return cls(
            {mass.id: mass.mass_kg for mass in hung},
            {mass.id: mass.density_kg_per_m3 for mass in hung},
            made.gravity_m_per_s2,
            made.air_density_kg_per_m3,
            lever.length_m,
            math.cos(math.radians(lever.angle_deg)),
        )

    @classmethod
    def drawn(
        cls, hung: Sequence[Mass], lever: Arm, made: Calibration, random: np.random.Generator
    ) -> Nature:
        """Every input drawn from its stated distribution; densities and air normally."""

        def draw(value: float, u: float, spread: Spread = Spread.NORMAL) -> float:
            half_width = math.sqrt(3.0) * u
            flat = spread is Spread.RECTANGULAR
            return value + (random.uniform(-half_width, half_width) if flat else random.normal(0.0, u))

        tilt_deg = random.uniform(-lever.angle_within_deg, lever.angle_within_deg)
        return cls(
            {mass.id: draw(mass.mass_kg, mass.u_kg, mass.spread) for mass in hung},
            {mass.id: draw(mass.density_kg_per_m3, mass.density_u_kg_per_m3) for mass in hung},
            draw(made.gravity_m_per_s2, made.gravity_u_m_per_s2),
            draw(made.air_density_kg_per_m3, made.air_density_u_kg_per_m3),
            draw(lever.length_m, lever.u_m, lever.spread),
            math.cos(math.radians(lever.angle_deg + tilt_deg)),
        )

    def torque_nm(self, hung: Sequence[Mass]) -> float:
        """Torque that truly hangs."""
        force_n = sum(
            self.masses_kg[mass.id] * self.gravity * (1.0 - self.air / self.densities[mass.id])
            for mass in hung
        )
        return force_n * self.length_m * self.cosine


def straight(torque_nm: float) -> float:
    """A perfect transducer."""
    return ZERO_COUNTS + COUNTS_PER_NM * torque_nm


def load_steps(
    loads: Sequence[Sequence[Mass]], nature: Nature, reads: Reads = straight, sign: int = 1
) -> list[LoadStep]:
    """Zero, the loads up, the loads down, zero, read by ``reads`` from the true torque."""
    hung = [(), *loads, *reversed(loads[:-1]), ()]
    branches = ["zero", *("up" for _ in loads), *("down" for _ in loads[:-1]), "zero"]
    return [
        LoadStep(
            id=fixed_id(100 + number),
            calibration_id=fixed_id(40),
            number=number,
            series=1,
            mounting=1,
            branch=branch,
            run_id=fixed_id(200 + number),
            mass_ids=tuple(mass.id for mass in hanging),
            angle_deg=0.0,
            mean_counts=reads(sign * nature.torque_nm(hanging)),
            sd_counts=5.0,
            drift_counts=0.1,
            samples=15_000,
            taken_at="2026-05-04T09:00:00.000Z",
        )
        for number, (hanging, branch) in enumerate(zip(hung, branches, strict=True), 1)
    ]


def ladder(hung: Sequence[Mass]) -> list[Sequence[Mass]]:
    """One weight more each time."""
    return [hung[: count + 1] for count in range(len(hung))]


def fit(
    reads: Reads = straight, sign: int = 1, loads: Sequence[Sequence[Mass]] | None = None, **changes: object
) -> LineFit:
    """The line of a calibration in which everything hung is as stated."""
    hung, lever, made = masses(), arm(), calibration(sign, **changes)
    nature = Nature.as_stated(hung, lever, made)
    steps = load_steps(ladder(hung) if loads is None else loads, nature, reads, sign)
    return fit_line(steps, made, {mass.id: mass for mass in hung}, lever)
