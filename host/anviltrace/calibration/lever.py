"""Reference torque of weights on a lever arm, with its uncertainty.

T = m·g·(1 − ρ_air/ρ_mass)·L·cos θ, θ the angle of the arm against the horizontal. A conventional mass takes
8000 kg/m³ for ρ_mass, by its definition (OIML D 28).

The angle is known to ±a about θ. Writing cos(θ + δ) = cos θ·cos δ − sin θ·sin δ keeps the second-order
term, which a first-order propagation loses at θ = 0: there cos δ has the mean sin(a)/a ≈ 1 − a²/6 and the
standard deviation 0.149·a².
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

from GTC import ureal

from anviltrace.calibration.inventory import Site
from anviltrace.records import Arm, Mass

CONVENTIONAL_DENSITY = 8000.0
"""kg/m³, the density that belongs to a conventional mass."""
_SMALL = 0.01
"""Radians below which the variance of the cosine is taken from its leading term: the integrals cancel."""


class Lever:
    """An arm at a site. What loads share (arm, gravity, air, weights) is the same uncertain number in all."""

    def __init__(self, arm: Arm, site: Site) -> None:
        self._length_m = ureal(arm.length_m, arm.u_m, label="arm length")
        self._gravity = ureal(site.gravity_m_per_s2, site.gravity_u_m_per_s2, label="gravity")
        self._air = ureal(site.air_density_kg_per_m3, site.air_density_u_kg_per_m3, label="air density")
        cos_mean, cos_sd, sin_sd = angle_moments(math.radians(arm.angle_within_deg))
        self._cos_error = ureal(cos_mean, cos_sd, label="arm angle")
        self._sin_error = ureal(0.0, sin_sd, label="arm angle")
        self._forces: dict[str, Any] = {}

    def torque_nm(self, masses: Sequence[Mass], angle_deg: float) -> Any:
        """Torque of ``masses`` hung at once, a magnitude: an uncertain real number of GTC, in N·m."""
        angle = math.radians(angle_deg)
        cosine = math.cos(angle) * self._cos_error - math.sin(angle) * self._sin_error
        return sum(self._force_n(mass) for mass in masses) * self._length_m * cosine

    def _force_n(self, mass: Mass) -> Any:
        if mass.id not in self._forces:
            kilograms = ureal(mass.mass_kg, mass.u_kg, label=f"mass of {mass.name}")
            self._forces[mass.id] = kilograms * self._gravity * (1.0 - self._air / _density(mass))
        return self._forces[mass.id]


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


def _density(mass: Mass) -> Any:
    if mass.conventional:
        return CONVENTIONAL_DENSITY
    return ureal(mass.density_kg_per_m3, mass.density_u_kg_per_m3, label=f"density of {mass.name}")
