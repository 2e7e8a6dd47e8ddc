"""What nature did, for comparing an analysis with; nothing that analyses a recording reads it.

``front_index`` is a position on the axis of first-stage values that were handed out, counted from 0 at
power-up: the value whose data-ready falls at the same world time has that number. The filter's group
delay is not in it. What happens while no converter runs gets the number of the next value.
"""

from __future__ import annotations

import math
import threading
from dataclasses import asdict, dataclass, fields
from typing import Any

import numpy as np

from anviltrace.records import RigKind
from anviltrace.virtual.drive import Blow, Joint


@dataclass(frozen=True, slots=True)
class Event:
    """Something that happened ``time_s`` after power-up; value ``front_index`` is the first to show it."""

    time_s: float
    front_index: int
    kind: str
    details: dict[str, str | float]


@dataclass(frozen=True, slots=True)
class BlowTruth:
    """One blow as it truly was; torques in N·m with clockwise positive.

    ``energy_j`` is what the hammer gave (0 when it missed), ``applied_nm`` the largest torque it exerted,
    ``peak_nm`` the largest (along the rotation) in the transducer's shaft before its own ringing, and
    ``impulse_nms`` the integral of that torque over its level, the level changing at the apex.
    ``retained_*`` are what the joint keeps, as the transducer would show it on a held rig.
    """

    start_s: float
    apex_s: float
    front_index: float
    width_s: float
    energy_j: float
    applied_nm: float
    peak_nm: float
    impulse_nms: float
    retained_before_nm: float
    retained_after_nm: float
    supply_v: float
    rotation: int
    missed: bool
    double: bool


class Truth:
    """Everything nature did so far to the tool and ``joint``; safe to read while another thread renders."""

    def __init__(self, joint: Joint) -> None:
        self._joint = joint
        self._events: list[Event] = []
        self._struck: list[tuple[Blow, float]] = []
        self._blows: list[BlowTruth] = []
        self._lock = threading.Lock()

    def happened(self, kind: str, time_s: float, position: float, **details: str | float) -> None:
        """Note an event at a position on the axis of values."""
        with self._lock:
            self._events.append(Event(time_s, max(0, math.ceil(position - 1e-6)), kind, details))

    def struck(self, blow: Blow, position: float) -> None:
        """Note a blow that starts at a position on the axis of values."""
        with self._lock:
            self._struck.append((blow, position))

    @property
    def events(self) -> tuple[Event, ...]:
        """All events in the order in which they happened."""
        with self._lock:
            return tuple(self._events)

    @property
    def blows(self) -> tuple[BlowTruth, ...]:
        """All blows in the order in which they fell."""
        with self._lock:
            self._blows += [_blow_truth(blow, at, self._joint) for blow, at in self._struck]
            self._struck.clear()
            return tuple(self._blows)

    def blow_columns(self) -> dict[str, np.ndarray[Any, Any]]:
        """One array per field of :class:`BlowTruth`, one entry per blow."""
        blows = self.blows
        return {f.name: np.array([getattr(blow, f.name) for blow in blows]) for f in fields(BlowTruth)}

    def as_dict(self) -> dict[str, list[dict[str, Any]]]:
        """Events and blows in plain types that JSON can hold."""
        return {"events": [asdict(event) for event in self.events], "blows": [asdict(b) for b in self.blows]}


def _blow_truth(blow: Blow, position: float, joint: Joint) -> BlowTruth:
    sign, pulse = blow.rotation.sign, blow.pulse
    kept = 0 if joint.kind is RigKind.FIXED else joint.tightening_rotation.sign
    return BlowTruth(
        start_s=blow.start_s,
        apex_s=blow.apex_s,
        front_index=position,
        width_s=float(pulse.width_s),
        energy_j=blow.energy_j,
        applied_nm=sign * float(pulse.peak_nm),
        peak_nm=sign * float(pulse.apex_nm),
        impulse_nms=sign * float(pulse.impulse_nms),
        retained_before_nm=kept * blow.retained_before_nm,
        retained_after_nm=kept * blow.retained_after_nm,
        supply_v=blow.supply_v,
        rotation=sign,
        missed=blow.missed,
        double=blow.double,
    )
