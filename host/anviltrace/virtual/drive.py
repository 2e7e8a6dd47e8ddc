"""One pull of the trigger: which blow falls when, and what it does to the joint."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import Annotated

import numpy as np

from anviltrace.records import RigKind, Rotation, Thread
from anviltrace.tables import Limits
from anviltrace.virtual import wrench as physics
from anviltrace.virtual.supply import SupplyState
from anviltrace.virtual.wrench import Friction, Pulse, Wrench

_SHORTEST_INTERVAL = 0.3
"""Share of the planned interval that no scatter undercuts, so that blows never overlap."""
_LEAST_ENERGY = 0.05
"""Share of the planned energy that no scatter undercuts."""
_TIGHTENING = Friction(hold_ratio=1.5, rate_nm_per_rad=120.0, efficiency=0.5)
_LOOSENING = Friction(hold_ratio=1.0, rate_nm_per_rad=120.0, efficiency=0.5)


@dataclass(frozen=True, slots=True, kw_only=True)
class Joint:
    """The bolted joint (or the anvil of a fixed rig) and the kind of rig it makes.

    ``blow_stiffness_nm_per_rad`` is everything that winds up between hammer and rig. A slack joint runs
    down freely for ``run_down_s`` against ``run_down_nm`` before it seats. ``retained_nm`` is what it
    holds at power-up. A fixed rig keeps nothing, so its frictions are not used.
    """

    kind: RigKind
    blow_stiffness_nm_per_rad: Annotated[float, Limits(50.0, 1e6)]
    thread: Thread = Thread.RIGHT
    run_down_s: Annotated[float, Limits(0.0, 60.0)] = 0.0
    run_down_nm: Annotated[float, Limits(0.0, 50.0)] = 0.0
    retained_nm: Annotated[float, Limits(0.0, 10_000.0)] = 0.0
    tightening: Friction = field(default=_TIGHTENING)
    loosening: Friction = field(default=_LOOSENING)

    @property
    def keeps_torque(self) -> bool:
        """False on a fixed rig: nothing is retained between blows."""
        return self.kind is not RigKind.FIXED

    @property
    def tightening_rotation(self) -> Rotation:
        """Clockwise, except for a left-hand thread."""
        return Rotation.CCW if self.thread is Thread.LEFT else Rotation.CW

    def level_nm(self, retained_nm: float) -> float:
        """Torque the transducer carries at rest, clockwise positive: the retained torque on a held rig."""
        return self.tightening_rotation.sign * retained_nm if self.kind is RigKind.HELD else 0.0


@dataclass(frozen=True, slots=True)
class Blow:
    """One strike. Retained torques are magnitudes; ``pulse`` is counted along the rotation."""

    start_s: float
    energy_j: float
    supply_v: float
    rotation: Rotation
    pulse: Pulse
    retained_before_nm: float
    retained_after_nm: float
    missed: bool = False
    double: bool = False

    @property
    def apex_s(self) -> float:
        """World time of the largest torque."""
        return self.start_s + 0.5 * float(self.pulse.width_s)

    @property
    def end_s(self) -> float:
        """World time at which the hammer has left the anvil."""
        return self.start_s + float(self.pulse.width_s)


class Drive:
    """A tool at work from the pull of the trigger: hands out one blow after another.

    ``next_blow`` is the blow to come, or None when none will; then ``silence`` says why: "spins free"
    (nothing left to loosen) or "supply empty". Random numbers are drawn in the order of the blows, so a
    run does not depend on how its samples are fetched.
    """

    def __init__(
        self,
        wrench: Wrench,
        joint: Joint,
        supply: SupplyState,
        rotation: Rotation,
        retained_nm: float,
        start_s: float,
        random: np.random.Generator,
    ) -> None:
        self._wrench, self._joint, self._supply, self._random = wrench, joint, supply, random
        self._stiffness = joint.blow_stiffness_nm_per_rad
        self.width_s = float(physics.blow_width_s(wrench.hammer_inertia_kgm2, self._stiffness))
        self.supply, self.rotation = supply, rotation
        self.loosening = joint.keeps_torque and rotation is not joint.tightening_rotation
        self.runs_down = joint.keeps_torque and retained_nm == 0.0
        self.silence = ""
        supply.pass_time(start_s, 0.0)
        seating_s = joint.run_down_s if self.runs_down else 0.0
        self._due_s = start_s + wrench.spin_up_s + seating_s
        self._double_j = 0.0
        self.next_blow: Blow | None = None
        self.advance(retained_nm)

    def advance(self, retained_nm: float) -> None:
        """Make ``next_blow`` the one after it; ``retained_nm`` is what the joint keeps by now."""
        last = self.next_blow
        if self.loosening and retained_nm <= 0.0:
            self._fall_silent("spins free")
        elif self._supply.empty:
            self._fall_silent("supply empty")
        elif last is not None and self._double_j > 0.0:
            start_s = last.start_s + max(self._wrench.double_delay_s, 1.05 * self.width_s)
            energy_j, self._double_j = self._double_j, 0.0
            self.next_blow = self._blow(start_s, energy_j, last.supply_v, retained_nm, double=True)
        else:
            earliest_s = self._due_s if last is None else last.end_s + 0.05 * self.width_s
            self.next_blow = self._regular_blow(max(self._due_s, earliest_s), retained_nm)

    def kick_m_per_s2(self, energy_j: float) -> float:
        """How hard a blow kicks the handle."""
        return self._wrench.kick_m_per_s2 * math.sqrt(energy_j / self._wrench.blow_energy_j)

    def stop(self, at_s: float) -> None:
        """The trigger is let go: what the supply gave until then is counted, no further blow starts."""
        self._supply.pass_time(at_s, self._wrench.current_a)
        self.next_blow = None

    def _fall_silent(self, reason: str) -> None:
        self.next_blow, self.silence = None, reason

    def _regular_blow(self, start_s: float, retained_nm: float) -> Blow:
        wrench = self._wrench
        self._supply.pass_time(start_s, wrench.current_a)
        supply_v = self._supply.voltage_v(wrench.current_a)
        pace = max(supply_v / wrench.nominal_v, 0.05)
        early, strong = self._random.standard_normal(2).tolist()
        miss, double = self._random.random(2).tolist()
        self._due_s = start_s + max(_SHORTEST_INTERVAL, 1.0 + wrench.interval_scatter * early) / (
            wrench.blows_per_s * pace
        )
        energy_j = wrench.blow_energy_j * pace**2 * max(_LEAST_ENERGY, 1.0 + wrench.energy_scatter * strong)
        missed = miss < wrench.missed_share
        if not missed and double < wrench.double_share:
            self._double_j = energy_j * wrench.double_energy_share
        return self._blow(start_s, 0.0 if missed else energy_j, supply_v, retained_nm, missed=missed)

    def _blow(
        self,
        start_s: float,
        energy_j: float,
        supply_v: float,
        retained_nm: float,
        missed: bool = False,
        double: bool = False,
    ) -> Blow:
        after_nm = self._retained_after_nm(retained_nm, energy_j)
        pulse = self._pulse(energy_j, retained_nm, after_nm)
        return Blow(start_s, energy_j, supply_v, self.rotation, pulse, retained_nm, after_nm, missed, double)

    def _retained_after_nm(self, retained_nm: float, energy_j: float) -> float:
        joint = self._joint
        if not joint.keeps_torque:
            return 0.0
        if self.loosening:
            return float(physics.loosened_nm(retained_nm, energy_j, self._stiffness, joint.loosening))
        return float(physics.tightened_nm(retained_nm, energy_j, self._stiffness, joint.tightening))

    def _pulse(self, energy_j: float, before_nm: float, after_nm: float) -> Pulse:
        peak_nm = float(physics.peak_torque_nm(energy_j, self._stiffness))
        if self._joint.kind is not RigKind.HELD:
            return physics.applied_pulse(self.width_s, peak_nm)
        if self.loosening:
            ratio = self._joint.loosening.hold_ratio
            return physics.loosening_pulse(self.width_s, peak_nm, before_nm, after_nm, ratio)
        return physics.tightening_pulse(self.width_s, peak_nm, before_nm, after_nm)
