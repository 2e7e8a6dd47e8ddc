"""Blow physics of an impact wrench as pure functions of numbers or arrays.

The model. A hammer of inertia J strikes the anvil with the energy E and winds up everything between
itself and the rig, a torsion spring of the stiffness k_b. Left to itself that gives half a sine of torque
with the peak P = √(2·k_b·E) and the base width w = π·√(J/k_b), after which the hammer has turned back.

What a transducer sees of it depends on the rig. All torques here are counted in the sense in which the
tool turns ("along the rotation"), and every kind of blow is one formula, a :class:`Pulse`:

    torque(t) = level + max(0, P·sin(πt/w) − threshold),

with one level and threshold up to the apex and another after it.

* Through and fixed rigs: level and threshold are 0; the transducer sees the applied pulse.
* Held rig, tightening: level = threshold = R, the torque the joint retains, so torque = max(R, P·sin).
  Past s·R (s > 1: friction at rest and under the head asks more than the stud keeps) the joint turns,
  and the share η of the energy beyond that point turns it against its rate K:
  R'² = R² + 2·K·η·max(0, E − (s·R)²/(2·k_b)). The climb ends where P = s·R.
* Held rig, loosening: the stud still carries R against the tool, the level is −R. The joint sticks until
  the tool's torque reaches s·R (here s may be below 1: a nut comes loose more easily than it went on) and
  nothing moves when P < s·R. Beyond that the stud takes what the tool applies less what the seat's
  friction takes, (1 + s)·R: torque = max(−R, P·sin − (1 + s)·R). So blows start small and grow as the
  joint lets go. The retained torque falls by the same energy balance,
  R'² = R² − 2·K·η·max(0, E − (s·R)²/(2·k_b)), never below 0 (then the joint is free and the nut spins)
  and never by more than the torque at the apex accounts for, R' ≥ (1 + s)·R − P.

Blow stiffness k_b and joint rate K are kept apart on purpose: one stiffness cannot give both sharp blows
and a slow climb.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated

import numpy as np
import numpy.typing as npt

from anviltrace.tables import Limits

Numbers = npt.NDArray[np.float64]
Number = float | Numbers


@dataclass(frozen=True, slots=True, kw_only=True)
class Wrench:
    """An impact wrench as nature made it.

    ``blow_energy_j`` and ``blows_per_s`` hold at ``nominal_v`` at the tool's terminals under load: energy
    goes with the square of the voltage, the rate in proportion. ``current_a`` is drawn while the trigger
    is held. The scatters are standard deviations as a share; the shares are probabilities per blow: a
    missed blow passes the anvil without touching it, a double strikes again after ``double_delay_s``
    with ``double_energy_share`` of the energy. ``spin_up_s`` passes between trigger and first blow.
    ``side_force_n`` is the pull of the tool's weight and of the hand on the transducer while seated.
    ``kick_m_per_s2`` is how hard a blow of ``blow_energy_j`` kicks the handle; it goes with the root of the
    energy.
    """

    blow_energy_j: Annotated[float, Limits(0.05, 500.0)]
    hammer_inertia_kgm2: Annotated[float, Limits(1e-6, 0.1)]
    blows_per_s: Annotated[float, Limits(2.0, 120.0)]
    nominal_v: Annotated[float, Limits(1.0, 500.0)]
    current_a: Annotated[float, Limits(0.0, 500.0)]
    spin_up_s: Annotated[float, Limits(0.0, 5.0)] = 0.2
    interval_scatter: Annotated[float, Limits(0.0, 0.2)] = 0.0
    energy_scatter: Annotated[float, Limits(0.0, 0.25)] = 0.0
    missed_share: Annotated[float, Limits(0.0, 0.5)] = 0.0
    double_share: Annotated[float, Limits(0.0, 0.5)] = 0.0
    double_delay_s: Annotated[float, Limits(0.001, 0.02)] = 0.005
    double_energy_share: Annotated[float, Limits(0.01, 1.0)] = 0.3
    side_force_n: Annotated[float, Limits(-500.0, 500.0)] = 0.0
    kick_m_per_s2: Annotated[float, Limits(0.0, 1900.0)] = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Friction:
    """How a joint gives way in one direction: s (``hold_ratio``), K (``rate_nm_per_rad``), η."""

    hold_ratio: Annotated[float, Limits(0.3, 5.0)]
    rate_nm_per_rad: Annotated[float, Limits(0.1, 1e5)]
    efficiency: Annotated[float, Limits(0.001, 1.0)]


@dataclass(frozen=True, slots=True)
class Pulse:
    """One blow as the transducer's shaft feels it, along the rotation; see the module's formula.

    Every field is a number or an array of the same shape: torques in N·m, ``width_s`` in seconds.
    """

    width_s: Number
    peak_nm: Number
    level_before_nm: Number
    threshold_before_nm: Number
    level_after_nm: Number
    threshold_after_nm: Number

    def torque_nm(self, time_s: Number) -> Numbers:
        """Torque at ``time_s`` after the start of the blow; the levels outside 0 to ``width_s``."""
        time = np.asarray(time_s, dtype=np.float64)
        inside = (time > 0.0) & (time < self.width_s)
        applied = np.where(inside, self.peak_nm * np.sin(np.pi * time / self.width_s), 0.0)
        rising = time < 0.5 * np.asarray(self.width_s)
        level = np.where(rising, self.level_before_nm, self.level_after_nm)
        threshold = np.where(rising, self.threshold_before_nm, self.threshold_after_nm)
        return np.asarray(level + np.maximum(0.0, applied - threshold))

    @property
    def apex_nm(self) -> Number:
        """Largest torque, reached half-way through (the level where the blow moves nothing)."""
        over = np.maximum(0.0, np.asarray(self.peak_nm) - self.threshold_before_nm)
        return np.maximum(self.level_after_nm, self.level_before_nm + over)

    @property
    def impulse_nms(self) -> Number:
        """Time integral of the torque over the level: the old level up to the apex, the new one after."""
        before = _half_area_nms(self.width_s, self.peak_nm, self.threshold_before_nm)
        after = _half_area_nms(self.width_s, self.peak_nm, self.threshold_after_nm)
        return before + after


def _half_area_nms(width_s: Number, peak_nm: Number, threshold_nm: Number) -> Number:
    """∫ max(0, P·sin(πt/w) − q) dt from 0 to w/2 = (w/π)·(√(P² − q²) − q·acos(q/P)), 0 for P ≤ q."""
    peak = np.asarray(peak_nm, dtype=np.float64)
    capped = np.minimum(threshold_nm, peak)
    share = np.divide(capped, peak, out=np.ones(np.broadcast(capped, peak).shape), where=peak > 0.0)
    area = np.sqrt(peak**2 - capped**2) - capped * np.arccos(share)
    return np.asarray(area * np.asarray(width_s) / np.pi)


def peak_torque_nm(energy_j: Number, blow_stiffness_nm_per_rad: Number) -> Number:
    """P = √(2·k_b·E): the torque at which the whole energy is in the spring."""
    return np.sqrt(2.0 * np.asarray(blow_stiffness_nm_per_rad) * energy_j)


def blow_width_s(inertia_kgm2: Number, blow_stiffness_nm_per_rad: Number) -> Number:
    """w = π·√(J/k_b): half a period of the hammer on the spring."""
    return np.pi * np.sqrt(np.asarray(inertia_kgm2) / blow_stiffness_nm_per_rad)


def tightened_nm(
    retained_nm: Number, energy_j: Number, blow_stiffness_nm_per_rad: Number, friction: Friction
) -> Number:
    """Retained torque after a tightening blow; unchanged where the blow cannot overcome s·R."""
    turning = _turning_energy_j(retained_nm, energy_j, blow_stiffness_nm_per_rad, friction)
    return np.sqrt(np.square(retained_nm) + 2.0 * friction.rate_nm_per_rad * friction.efficiency * turning)


def loosened_nm(
    retained_nm: Number, energy_j: Number, blow_stiffness_nm_per_rad: Number, friction: Friction
) -> Number:
    """Retained torque (a magnitude) after a loosening blow: unchanged where P < s·R, never below 0."""
    turning = _turning_energy_j(retained_nm, energy_j, blow_stiffness_nm_per_rad, friction)
    peak = peak_torque_nm(energy_j, blow_stiffness_nm_per_rad)
    square = np.square(retained_nm) - 2.0 * friction.rate_nm_per_rad * friction.efficiency * turning
    carried = (1.0 + friction.hold_ratio) * np.asarray(retained_nm) - peak
    let_go = np.maximum(np.sqrt(np.maximum(square, 0.0)), carried)
    return np.where(turning > 0.0, let_go, retained_nm)


def _turning_energy_j(
    retained_nm: Number, energy_j: Number, blow_stiffness_nm_per_rad: Number, friction: Friction
) -> Number:
    hold_nm = friction.hold_ratio * np.asarray(retained_nm)
    return np.maximum(0.0, energy_j - hold_nm**2 / (2.0 * np.asarray(blow_stiffness_nm_per_rad)))


def tightening_pulse(width_s: Number, peak_nm: Number, before_nm: Number, after_nm: Number) -> Pulse:
    """A tightening blow on a held rig: max(R, P·sin) up to the apex, max(R', P·sin) after it."""
    return Pulse(width_s, peak_nm, before_nm, before_nm, after_nm, after_nm)


def loosening_pulse(
    width_s: Number, peak_nm: Number, before_nm: Number, after_nm: Number, hold_ratio: float
) -> Pulse:
    """A loosening blow on a held rig; ``before_nm`` and ``after_nm`` are magnitudes of retained torque."""
    before, after = np.asarray(before_nm), np.asarray(after_nm)
    friction = (1.0 + hold_ratio) * before
    return Pulse(width_s, peak_nm, -before, hold_ratio * before, -after, friction - after)


def applied_pulse(width_s: Number, peak_nm: Number) -> Pulse:
    """A blow on a through or fixed rig: half a sine over nothing."""
    return Pulse(width_s, peak_nm, 0.0, 0.0, 0.0, 0.0)


def climb_nm(
    energies_j: Numbers,
    blow_stiffness_nm_per_rad: Number,
    friction: Friction,
    retained_nm: Number = 0.0,
    loosening: bool = False,
) -> Numbers:
    """Retained torque after each of the blows ``energies_j``, shape (blows, ...).

    The trailing shape may hold a grid of cases; ``blow_stiffness_nm_per_rad`` and ``retained_nm`` (the
    torque at the start) broadcast against it. No blows give an empty array.
    """
    step = loosened_nm if loosening else tightened_nm
    energies = np.asarray(energies_j, dtype=np.float64)
    grid = np.broadcast_shapes(energies.shape[1:], np.shape(blow_stiffness_nm_per_rad), np.shape(retained_nm))
    levels = np.empty((energies.shape[0], *grid))
    level: Number = np.broadcast_to(np.asarray(retained_nm, dtype=np.float64), grid)
    for row, energy in enumerate(energies):
        level = step(level, energy, blow_stiffness_nm_per_rad, friction)
        levels[row] = level
    return levels
