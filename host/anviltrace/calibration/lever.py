"""Reference torque of weights on a lever arm, with its uncertainty.

T = m·g·(1 − ρ_air/ρ_mass)·L·cos θ, θ the angle of the arm against the horizontal. A conventional mass takes
8000 kg/m³ for ρ_mass, by its definition (OIML D 28).

The angle is known to ±a about θ. Writing cos(θ + δ) = cos θ·cos δ − sin θ·sin δ keeps the second-order
term, which a first-order propagation loses at θ = 0: there cos δ has the mean sin(a)/a ≈ 1 − a²/6 and the
standard deviation 0.149·a².

The empty arm is on while the zero is read, so its own moment M = m·g·(1 − ρ_air/8000)·x, with x the distance
of its centre of gravity from the axis, is in the zero; what is not is that it changes with the angle, by
M·(cos θ − cos θ₀) between the angle at the zero and that under load. The axis, the centre of gravity and the
place where the weights pull are taken to lie on one line.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

from GTC import ureal, value

from anviltrace.calibration.inventory import Site
from anviltrace.records import Arm, Mass

CONVENTIONAL_DENSITY = 8000.0
"""kg/m³, the density that belongs to a conventional mass."""
OWN_MASS = "empty arm's mass"
OWN_CENTRE = "empty arm's centre of gravity"
_SMALL = 0.01
"""Radians below which the variance of the cosine is taken from its leading term: the integrals cancel."""


class Weights:
    """Weights at a site: gravity, air and each weight are the same uncertain numbers wherever they act."""

    def __init__(self, site: Site) -> None:
        self._gravity = ureal(site.gravity_m_per_s2, site.gravity_u_m_per_s2, label="gravity")
        self._air = ureal(site.air_density_kg_per_m3, site.air_density_u_kg_per_m3, label="air density")
        self._forces: dict[str, Any] = {}

    def force_n(self, mass: Mass) -> Any:
        """Pull of a weight in air, an uncertain real number of GTC in N."""
        if mass.id not in self._forces:
            kilograms = ureal(mass.mass_kg, mass.u_kg, df=_df(mass.dof), label=f"mass of {mass.name}")
            self._forces[mass.id] = kilograms * self.pull(_density(mass))
        return self._forces[mass.id]

    def pull(self, density: Any) -> Any:
        """Force for each kilogram of something of this density in kg/m³, in N/kg."""
        return self._gravity * (1.0 - self._air / density)


class Lever:
    """An arm at a site. What loads share (arm, gravity, air, weights) is the same uncertain number in all.

    With the same ``weights`` two arms share gravity, air and the weights themselves as well.
    """

    def __init__(self, arm: Arm, site: Site, weights: Weights | None = None) -> None:
        self._weights = Weights(site) if weights is None else weights
        self._length_m = ureal(arm.length_m, arm.u_m, df=_df(arm.dof), label="arm length")
        cos_mean, cos_sd, sin_sd = angle_moments(math.radians(arm.angle_within_deg))
        self._cos_error = ureal(cos_mean, cos_sd, label="arm angle")
        self._sin_error = ureal(0.0, sin_sd, label="arm angle")
        self._own_level_nm = self._own_moment(arm)
        self._torques: dict[tuple[tuple[str, ...], float], Any] = {}

    def torque_nm(self, masses: Sequence[Mass], angle_deg: float) -> Any:
        """Torque of ``masses`` hung at once, a magnitude: an uncertain real number of GTC, in N·m."""
        asked = tuple(mass.id for mass in masses), angle_deg
        if asked not in self._torques:
            force_n = sum(self._weights.force_n(mass) for mass in masses)
            self._torques[asked] = force_n * self._length_m * self._cosine(angle_deg)
        return self._torques[asked]

    def own_nm(self, angle_deg: float) -> Any:
        """Uncertain moment of the empty arm in N·m, positive as the weights turn; None: not described."""
        return None if self._own_level_nm is None else self._own_level_nm * self._cosine(angle_deg)

    def since_zero_nm(self, masses: Sequence[Mass], angle_deg: float, zero_angle_deg: float) -> Any:
        """Uncertain torque in N·m that ``masses`` and the arm's change of angle add to the zero's."""
        hung = self.torque_nm(masses, angle_deg)
        if self._own_level_nm is None or angle_deg == zero_angle_deg:
            return hung
        return hung + self._own_level_nm * (self._cosine(angle_deg) - self._cosine(zero_angle_deg))

    def borne_nm(self, masses: Sequence[Mass], angle_deg: float) -> float:
        """What the arm bears at the axis, in N·m: the weights and, where it is described, its own moment.

        A centre of gravity on the other side of the axis takes nothing off what the weights' side bears.
        """
        own = 0.0 if self._own_level_nm is None else max(0.0, float(value(self._own_level_nm)))
        return float(value(self.torque_nm(masses, angle_deg))) + own

    def _cosine(self, angle_deg: float) -> Any:
        angle = math.radians(angle_deg)
        return math.cos(angle) * self._cos_error - math.sin(angle) * self._sin_error

    def _own_moment(self, arm: Arm) -> Any:
        """That of the level empty arm, whose mass counts as a conventional one."""
        if arm.own_mass_kg is None:
            return None
        mass = ureal(arm.own_mass_kg, arm.own_mass_u_kg, label=OWN_MASS)
        return (
            mass
            * ureal(arm.own_centre_m, arm.own_centre_u_m, label=OWN_CENTRE)
            * self._weights.pull(CONVENTIONAL_DENSITY)
        )


def angle_moments(half_width: float) -> tuple[float, float, float]:
    """Mean and standard deviation of cos δ, and standard deviation of sin δ, for δ rectangular ±half_width.

    In radians, from the exact integrals; sin δ has the mean 0 and is uncorrelated with cos δ.
    """
    if half_width == 0.0:
        return 1.0, 0.0, 0.0
    mean = math.sin(half_width) / half_width
    double = math.sin(2.0 * half_width) / (2.0 * half_width)
    variance = half_width**4 / 45.0 if half_width < _SMALL else 0.5 * (1.0 + double) - mean**2
    return mean, math.sqrt(variance), math.sqrt(0.5 * (1.0 - double))


def _df(dof: float | None) -> float:
    return math.inf if dof is None else dof


def _density(mass: Mass) -> Any:
    if mass.conventional:
        return CONVENTIONAL_DENSITY
    return ureal(mass.density_kg_per_m3, mass.density_u_kg_per_m3, label=f"density of {mass.name}")
