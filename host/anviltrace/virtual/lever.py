"""Weights on a lever arm, as they truly are, and the slow changes of torque they and the joint make."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Annotated

import numpy as np

from anviltrace.tables import Limits
from anviltrace.virtual.wrench import Number, Numbers

_CALM = 1e-9
"""A swing below this share of the torque is over."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Site:
    """Where the bench stands. ``swing_deg`` is how far a newly hung weight swings at first."""

    gravity_m_per_s2: Annotated[float, Limits(9.70, 9.90)] = 9.81
    air_density_kg_per_m3: Annotated[float, Limits(0.0, 1.5)] = 1.2
    lowering_s: Annotated[float, Limits(0.05, 30.0)] = 1.5
    swing_deg: Annotated[float, Limits(0.0, 20.0)] = 1.5
    swing_hz: Annotated[float, Limits(0.2, 5.0)] = 0.9
    swing_decay_s: Annotated[float, Limits(0.1, 120.0)] = 6.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Arm:
    """A lever arm: true length, angle against the horizontal when bare, and how it sags under torque.

    ``own_nm`` is the torque of the bare arm itself (0 for one balanced by a counterweight).
    """

    length_m: Annotated[float, Limits(0.02, 5.0)]
    angle_deg: Annotated[float, Limits(-30.0, 30.0)] = 0.0
    sag_deg_per_nm: Annotated[float, Limits(0.0, 0.05)] = 0.0
    own_nm: Annotated[float, Limits(0.0, 200.0)] = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Mass:
    """A weight with its true mass and the density of its material."""

    mass_kg: Annotated[float, Limits(0.001, 500.0)]
    density_kg_per_m3: Annotated[float, Limits(500.0, 22_000.0)] = 7850.0


def lever_torque_nm(
    mass_kg: Number,
    gravity_m_per_s2: Number,
    air_density_kg_per_m3: Number,
    mass_density_kg_per_m3: Number,
    length_m: Number,
    angle_deg: Number,
) -> Number:
    """T = m·g·(1 − ρ_air/ρ_mass)·L·cos θ, θ against the horizontal; numbers or arrays, true mass."""
    buoyancy = 1.0 - np.asarray(air_density_kg_per_m3) / mass_density_kg_per_m3
    return np.asarray(mass_kg) * gravity_m_per_s2 * buoyancy * length_m * np.cos(np.radians(angle_deg))


def hanging_torque_nm(masses: Sequence[Mass], arm: Arm, site: Site) -> float:
    """Torque of the arm with all ``masses`` on it, at the angle to which it sags under them."""
    level = arm.own_nm + sum(_torque(mass, arm, site, 0.0) for mass in masses)
    angle_deg = arm.angle_deg + arm.sag_deg_per_nm * level
    own = arm.own_nm * math.cos(math.radians(angle_deg))
    return own + sum(_torque(mass, arm, site, angle_deg) for mass in masses)


def hanging_force_n(masses: Sequence[Mass], site: Site) -> float:
    """Downward force of the weights on the transducer: the side force of a one-armed lever."""
    air = site.air_density_kg_per_m3
    return sum(m.mass_kg * site.gravity_m_per_s2 * (1.0 - air / m.density_kg_per_m3) for m in masses)


def _torque(mass: Mass, arm: Arm, site: Site, angle_deg: float) -> float:
    gravity, air = site.gravity_m_per_s2, site.air_density_kg_per_m3
    return float(lever_torque_nm(mass.mass_kg, gravity, air, mass.density_kg_per_m3, arm.length_m, angle_deg))


class SlowTorque:
    """Torque that changes within tenths of a second or slower, clockwise positive.

    A change runs along a raised cosine. A newly hung weight also swings as a pendulum: swinging by φ at
    the frequency f makes its pull m·g·(1 + φ²·cos 4πft), zero on average, and the swing dies away.
    """

    def __init__(self, level_nm: float) -> None:
        self._from_nm = self._to_nm = level_nm
        self._start_s = self._moved_s = self._calm_s = 0.0
        self._swing_nm = self._swing_hz = 0.0
        self._decay_s = 1.0

    @property
    def target_nm(self) -> float:
        """Where the torque is going, or where it stays."""
        return self._to_nm

    def hold(self, level_nm: float) -> None:
        """From now on exactly ``level_nm``."""
        self._from_nm = self._to_nm = level_nm
        self._calm_s = self._moved_s = 0.0
        self._swing_nm = 0.0

    def go(self, level_nm: float, at_s: float, within_s: float) -> None:
        """Move smoothly to ``level_nm``, starting at world time ``at_s``."""
        self._from_nm = float(self.at(np.array([at_s]))[0])
        self._to_nm, self._start_s = level_nm, at_s
        self._moved_s = self._calm_s = at_s + within_s
        self._swing_nm = 0.0

    def swing(self, share_nm: float, site: Site) -> None:
        """Let the part ``share_nm`` of the torque, lowered by the last ``go``, swing until it is calm."""
        ripple = math.radians(site.swing_deg) ** 2
        if ripple <= _CALM or share_nm == 0.0:
            return
        self._swing_nm, self._swing_hz, self._decay_s = ripple * share_nm, site.swing_hz, site.swing_decay_s
        self._calm_s = self._moved_s + 0.5 * site.swing_decay_s * math.log(ripple / _CALM)

    def steady(self, from_s: float) -> bool:
        """True when nothing changes from ``from_s`` on."""
        return from_s >= self._calm_s

    def at(self, times_s: Numbers) -> Numbers:
        """Torque at each of ``times_s``, shape as given."""
        if self._calm_s == 0.0 or times_s[0] >= self._calm_s:
            return np.full(times_s.shape, self._to_nm)
        past = times_s - self._start_s
        share = np.clip(past / (self._moved_s - self._start_s), 0.0, 1.0)
        ramp = 0.5 - 0.5 * np.cos(np.pi * share)
        torque = self._from_nm + (self._to_nm - self._from_nm) * ramp
        if self._swing_nm != 0.0:
            phase = 4.0 * np.pi * self._swing_hz * past
            ripple = self._swing_nm * ramp * np.exp(-2.0 * past / self._decay_s) * np.cos(phase)
            torque = torque + np.where(times_s < self._calm_s, ripple, 0.0)
        return torque
