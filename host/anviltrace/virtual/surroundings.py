"""What the side sensors sense: the pack's voltage and current, the handle, the shaft's warmth, the trigger.

Everything is a function of world time, made from what has happened so far, so a sensor may ask about any
moment up to now, in any order. Between the events that change it each signal has a formula, and a mean over a
conversion is worked out from it (temperature and voltage, which change slowly, from points in it).

The handle is made up: each blow kicks it, and it answers with two damped vibrations, one of the tool on the
hand and one of the handle's own, while the hand brings it back, along three axes in fixed proportion; the
size goes with the root of the blow's energy. The third axis carries the tool's weight.
"""

from __future__ import annotations

import bisect
import math
from dataclasses import dataclass, field
from enum import IntEnum
from typing import Annotated

import numpy as np
import numpy.typing as npt

from anviltrace.tables import Limits
from anviltrace.virtual.rig import Transducer
from anviltrace.virtual.supply import Supply, SupplyState
from anviltrace.virtual.wrench import Numbers

GRAVITY_M_PER_S2 = 9.81
AXES = (0.62, 1.0, 0.35)
"""Share of a kick along each axis."""
_AT_REST = np.array([0.0, 0.0, GRAVITY_M_PER_S2])
MODES = ((95.0, 0.16, 1.0), (610.0, 0.05, 0.45))
"""Frequency in Hz, damping and share of each vibration of the handle."""
HAND = (30.0, 0.5)
"""The hand brings it back to rest: so much of this that a blow leaves no velocity."""
_REMEMBERED_S = 0.25
"""A kick has died down by more than 10^9 after this."""
_BOUNCE_S, _BOUNCE_EVERY_S = 0.0032, 0.0004
_POINTS = 8
_LEAST, _MOST = -(2**31), 2**31 - 1


class Signal(IntEnum):
    """The signals by number, and what a whole number of each is; ``silicon/sense.py`` has the same."""

    VOLTAGE_UV = 0
    CURRENT_UA = 1
    HANDLE_X_MM_PER_S2 = 2
    HANDLE_Y_MM_PER_S2 = 3
    HANDLE_Z_MM_PER_S2 = 4
    TEMPERATURE_UC = 5
    CONTACT = 6


@dataclass(frozen=True, slots=True, kw_only=True)
class Climate:
    """The air at the bench."""

    temperature_c: Annotated[float, Limits(-20.0, 60.0)] = 21.0


@dataclass(frozen=True, slots=True)
class _Draw:
    """From ``at_s`` on a supply gives ``current_a``; its charge and polarisation were these then."""

    at_s: float
    supply: Supply | None
    current_a: float = 0.0
    charge: float = 1.0
    slow_v: float = 0.0

    def voltage_v(self, times_s: Numbers) -> Numbers:
        """Voltage at times from ``at_s`` on; 0 without a supply."""
        supply, past_s = self.supply, times_s - self.at_s
        if supply is None:
            return np.zeros(times_s.shape)
        full = np.full(times_s.shape, supply.full_v)
        if supply.capacity_ah is not None:
            charge = np.maximum(0.0, self.charge - self.current_a * past_s / 3600.0 / supply.capacity_ah)
            full = supply.empty_v + (supply.full_v - supply.empty_v) * charge
        target_v = self.current_a * supply.slow_ohm
        slow = target_v + (self.slow_v - target_v) * np.exp(-past_s / supply.slow_s)
        return np.maximum(0.0, full - self.current_a * supply.inner_ohm - slow)


@dataclass(slots=True)
class Surroundings:
    """The signals of one bench. Times are world time in seconds; what happens is told in order."""

    transducer: Transducer
    climate: Climate
    _draws: list[_Draw] = field(default_factory=lambda: [_Draw(-math.inf, None)])
    _kicks: list[tuple[float, float]] = field(default_factory=list)
    _heat: list[tuple[float, float]] = field(default_factory=list)
    _edges: list[float] = field(default_factory=list)

    # what happens

    def connect(self, state: SupplyState, current_a: float, at_s: float) -> None:
        """A supply is on the tool, which draws ``current_a`` from now on."""
        state.pass_time(at_s, 0.0)  # what a drive drew it has told by itself
        self._draws.append(_Draw(at_s, state.supply, current_a, state.charge, state.slow_v))

    def disconnect(self, at_s: float) -> None:
        """No supply any more."""
        self._draws.append(_Draw(at_s, None))

    def trigger(self, at_s: float) -> None:
        """The trigger contact changes."""
        self._edges.append(at_s)

    def blow(self, at_s: float, energy_j: float, kick_m_per_s2: float) -> None:
        """A blow kicks the handle and warms the shaft."""
        if energy_j > 0.0:
            self._kicks.append((at_s, kick_m_per_s2))
            self._heat.append((at_s, energy_j * self.transducer.heating_k_per_j))

    # what is sensed

    def means(
        self, signal: int, signals: int, first_s: float, step_s: float, width_s: float, count: int
    ) -> npt.NDArray[np.int32]:
        """Means over ``width_s`` that end at ``first_s`` and every ``step_s`` on, shape (count, signals).

        Of the handle one to three axes are asked for together, from the first on; of the others each alone.
        """
        ends = np.asarray(first_s + step_s * np.arange(count), dtype=np.float64)
        if signal == Signal.HANDLE_X_MM_PER_S2:
            kicked = self.kicked_m_per_s2(ends, width_s)
            seen = 1e3 * (np.outer(kicked, AXES[:signals]) + _AT_REST[:signals])
        else:
            seen = self._mean(Signal(signal), ends, width_s)[:, np.newaxis]
        return np.asarray(np.clip(np.rint(seen), _LEAST, _MOST), dtype=np.int32)

    def _mean(self, signal: Signal, ends_s: Numbers, width_s: float) -> Numbers:
        if signal is Signal.CONTACT:
            return np.array([float(self._closed(at_s)) for at_s in ends_s.tolist()])
        places = (np.arange(_POINTS) + 0.5) / _POINTS - 1.0
        times = (ends_s[:, np.newaxis] + width_s * places).ravel()
        values = {
            Signal.VOLTAGE_UV: self.voltage_v,
            Signal.CURRENT_UA: self.current_a,
            Signal.TEMPERATURE_UC: self.temperature_c,
        }[signal](times)
        return np.asarray(1e6 * values.reshape(-1, _POINTS).mean(axis=1))

    def voltage_v(self, times_s: Numbers) -> Numbers:
        """Voltage at the pack, shape as given."""
        voltage = np.zeros(times_s.shape)
        for draw, here in self._drawn(times_s):
            voltage[here] = draw.voltage_v(times_s[here])
        return voltage

    def current_a(self, times_s: Numbers) -> Numbers:
        """Current out of the pack, shape as given."""
        current = np.zeros(times_s.shape)
        for draw, here in self._drawn(times_s):
            current[here] = draw.current_a
        return current

    def temperature_c(self, times_s: Numbers) -> Numbers:
        """Temperature of the transducer, shape as given."""
        made = self.transducer
        warmth = made.warm_up_k * -np.expm1(-np.maximum(times_s, 0.0) / made.warm_up_s)
        for at_s, kelvin in self._heat:
            past = times_s - at_s
            warmth = warmth + np.where(past >= 0.0, kelvin * np.exp(-past / made.cooling_s), 0.0)
        return np.asarray(self.climate.temperature_c + warmth)

    def kicked_m_per_s2(self, ends_s: Numbers, width_s: float) -> Numbers:
        """Acceleration of the handle by the kicks, before it is shared out: means, shape as given."""
        total = np.zeros(ends_s.shape)
        first = bisect.bisect_left(self._kicks, (float(ends_s[0]) - width_s - _REMEMBERED_S, 0.0))
        last = bisect.bisect_left(self._kicks, (float(ends_s[-1]), 0.0))
        if first == last:
            return total
        at_s, size = np.array(self._kicks[first:last]).T
        past_s = ends_s[:, np.newaxis] - at_s
        for hz, damping, share in (*MODES, (*HAND, _BACK)):
            total += share * (_mean_of_mode(past_s, width_s, hz, damping) @ size)
        return total

    def _drawn(self, times_s: Numbers) -> list[tuple[_Draw, npt.NDArray[np.bool_]]]:
        starts = [draw.at_s for draw in self._draws]
        which = np.searchsorted(starts, times_s, side="right") - 1
        return [(self._draws[number], which == number) for number in np.unique(which).tolist()]

    def _closed(self, at_s: float) -> bool:
        changes = bisect.bisect_right(self._edges, at_s)
        closed = changes % 2 == 1
        past_s = at_s - self._edges[changes - 1] if changes else math.inf
        bounces = past_s < _BOUNCE_S and int(past_s / _BOUNCE_EVERY_S) % 2 == 1
        return closed != bounces


def _mean_of_mode(ends_s: Numbers, width_s: float, hz: float, damping: float) -> Numbers:
    """Mean over ``width_s`` up to each time of exp(−ζωt)·sin(ω_d·t), which begins at 0."""
    omega = 2.0 * math.pi * hz
    pole = complex(-damping * omega, omega * math.sqrt(1.0 - damping**2))
    last = np.maximum(ends_s, 0.0)
    first = np.maximum(ends_s - width_s, 0.0)
    return np.asarray(((np.exp(pole * last) - np.exp(pole * first)) / pole).imag / width_s)


def _velocity_of_mode(hz: float, damping: float) -> float:
    """What a vibration of unit size leaves of velocity: its time integral."""
    omega = 2.0 * math.pi * hz
    return math.sqrt(1.0 - damping**2) / omega


_BACK = -sum(share * _velocity_of_mode(hz, damping) for hz, damping, share in MODES) / _velocity_of_mode(
    *HAND
)
