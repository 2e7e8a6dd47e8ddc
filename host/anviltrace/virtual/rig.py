"""The transducer: what torque in its shaft becomes at the output of its bridge, in mV/V.

The chain, in this order:

1. *Resonance*: the shaft and what is fixed to it follow the applied torque x as a second-order system,
   y'' + 2ζω·y' + ω²·y = ω²·x; solved exactly for an input that runs straight from sample to sample.
2. *Shape*: output = sensitivity · y · (1 + quadratic·t + cubic·t²) with t = y/rated.
3. *Memory*: hysteresis (three play operators in parallel, so reversals close and wipe out smaller ones) and
   creep (a share of the torque that arrives with one time constant), both added to the torque.
4. *Surroundings*: zero and sensitivity drift with temperature (warming up after power-up, heating by
   blows), a side force adds to the zero, and each mounting has its own sensitivity and zero.

The memory and the drift change slowly or are small, so they are followed at a coarser step than the
resonance.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Annotated

import numpy as np
from scipy.signal import cont2discrete, lfilter, lfilter_zi

from anviltrace.tables import Limits
from anviltrace.virtual.wrench import Numbers

_PLAYS = np.array([0.06, 0.15, 0.30])
"""Half widths of the three plays as shares of the rated torque."""
_ROW = 64
"""Samples looked at together to see whether a play moves."""
_SETTLED = 1e-12
"""A ring below this share of where it began is over."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Transducer:
    """A strain-gauged shaft, arm or bolt as nature made it.

    Shares are of the rated torque at rated torque. ``hysteresis`` is how far the falling branch lies above
    the rising one half-way through a cycle between 0 and rated torque. ``remount_span`` (a share) and
    ``remount_zero_mv_per_v`` are standard deviations from one mounting to the next. A negative
    sensitivity is a bridge wired the other way round. ``noise_mv_per_v`` is what one first-stage value
    picks up besides the converter's own noise; ``hum_mv_per_v`` the amplitude of mains hum. ``bridge_ohm``
    is the resistance of one arm of the bridge.
    """

    rated_nm: Annotated[float, Limits(1.0, 20_000.0)]
    sensitivity_mv_per_v_per_nm: Annotated[float, Limits(-1.0, 1.0)]
    natural_hz: Annotated[float, Limits(50.0, 10_000.0)]
    damping: Annotated[float, Limits(0.001, 0.99)]
    quadratic: Annotated[float, Limits(-0.05, 0.05)] = 0.0
    cubic: Annotated[float, Limits(-0.05, 0.05)] = 0.0
    hysteresis: Annotated[float, Limits(0.0, 0.05)] = 0.0
    creep: Annotated[float, Limits(-0.02, 0.02)] = 0.0
    creep_s: Annotated[float, Limits(0.5, 3600.0)] = 25.0
    zero_mv_per_v: Annotated[float, Limits(-2.0, 2.0)] = 0.0
    zero_drift_mv_per_v_per_k: Annotated[float, Limits(-0.05, 0.05)] = 0.0
    span_drift_per_k: Annotated[float, Limits(-0.01, 0.01)] = 0.0
    warm_up_k: Annotated[float, Limits(-20.0, 50.0)] = 0.0
    warm_up_s: Annotated[float, Limits(1.0, 36_000.0)] = 600.0
    heating_k_per_j: Annotated[float, Limits(0.0, 0.1)] = 0.0
    cooling_s: Annotated[float, Limits(1.0, 36_000.0)] = 300.0
    remount_span: Annotated[float, Limits(0.0, 0.05)] = 0.0
    remount_zero_mv_per_v: Annotated[float, Limits(0.0, 0.2)] = 0.0
    side_mv_per_v_per_n: Annotated[float, Limits(-0.01, 0.01)] = 0.0
    noise_mv_per_v: Annotated[float, Limits(0.0, 0.1)] = 0.0
    hum_mv_per_v: Annotated[float, Limits(0.0, 0.1)] = 0.0
    hum_hz: Annotated[float, Limits(10.0, 400.0)] = 50.0
    bridge_ohm: Annotated[float, Limits(50.0, 20_000.0)] = 350.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Shunt:
    """A resistor to be laid across one arm of the bridge; across some the output rises, else it falls."""

    resistor_ohm: Annotated[float, Limits(100.0, 1e8)]
    rises: bool = True

    def mv_per_v(self, bridge_ohm: float) -> float:
        """What it adds to a bridge in balance: the divider with one arm shunted, less one half."""
        shunted_ohm = 1.0 / (1.0 / bridge_ohm + 1.0 / self.resistor_ohm)
        size = 1000.0 * (0.5 - shunted_ohm / (shunted_ohm + bridge_ohm))
        return size if self.rises else -size


class Resonator:
    """Second-order response to a torque sampled every ``step_s``; state runs on from call to call."""

    def __init__(self, natural_hz: float, damping: float, step_s: float) -> None:
        omega = 2.0 * math.pi * natural_hz
        system = ([omega**2], [1.0, 2.0 * damping * omega, omega**2])
        top, bottom, _ = cont2discrete(system, step_s, method="foh")
        self._top, self._bottom = np.ravel(top), np.ravel(bottom)
        self._still = lfilter_zi(self._top, self._bottom)
        self._state = 0.0 * self._still
        self.settle_s = -math.log(_SETTLED) / (damping * omega)

    def settle(self, torque_nm: float) -> None:
        """As if the torque had been ``torque_nm`` for ever."""
        self._state = torque_nm * self._still

    def respond(self, torque_nm: Numbers) -> Numbers:
        """Torque in the shaft, same shape as the applied torque."""
        response, self._state = lfilter(self._top, self._bottom, torque_nm, zi=self._state)
        return np.asarray(response)


class Hysteresis:
    """Prandtl-Ishlinskii hysteresis: plays in parallel, each following the torque at its half width."""

    def __init__(self, share: float, rated_nm: float) -> None:
        self._half_nm: list[float] = (_PLAYS * rated_nm).tolist()
        openings = np.minimum(2.0 * _PLAYS, 1.0 - 2.0 * _PLAYS)
        self._weight = share / float(openings.sum())
        self._plays = [0.0] * _PLAYS.size

    def follow(self, torque_nm: Numbers) -> Numbers:
        """Deviation in N·m at each torque of a sequence (at least one), from where the last call ended."""
        if self._weight == 0.0:
            return np.zeros(torque_nm.shape)
        starts = np.arange(0, torque_nm.size, _ROW)
        lowest, highest = np.minimum.reduceat(torque_nm, starts), np.maximum.reduceat(torque_nm, starts)
        ranges = list(zip(lowest.tolist(), highest.tolist(), strict=True))
        total = -len(self._plays) * torque_nm
        for number, half_nm in enumerate(self._half_nm):
            play = _follow_play(torque_nm, ranges, half_nm, self._plays[number])
            self._plays[number] = float(play[-1])
            total += play
        return self._weight * total


def _follow_play(
    torque_nm: Numbers, ranges_nm: list[tuple[float, float]], half_nm: float, place_nm: float
) -> Numbers:
    """Positions of one play, same shape as the torque: y[n] = min(max(y[n−1], x[n] − r), x[n] + r).

    A play stands still until pushed, so rows of samples whose range stays within its reach are skipped.
    """
    positions = np.empty_like(torque_nm)
    for row, (lowest_nm, highest_nm) in enumerate(ranges_nm):
        here = slice(row * _ROW, (row + 1) * _ROW)
        if highest_nm - half_nm <= place_nm <= lowest_nm + half_nm:
            positions[here] = place_nm
        else:
            pushed = _push_play(torque_nm[here].tolist(), half_nm, place_nm)
            positions[here], place_nm = pushed, pushed[-1]
    return positions


def _push_play(torque_nm: list[float], half_nm: float, place_nm: float) -> list[float]:
    positions = []
    for torque in torque_nm:
        if torque - half_nm > place_nm:
            place_nm = torque - half_nm
        elif torque + half_nm < place_nm:
            place_nm = torque + half_nm
        positions.append(place_nm)
    return positions


class Gauge:
    """The bridge in use: memory, drift and mounting. Times are world time in seconds since power-up."""

    def __init__(self, transducer: Transducer, random: np.random.Generator) -> None:
        self._made, self._random = transducer, random
        self._hysteresis = Hysteresis(transducer.hysteresis, transducer.rated_nm)
        self._crept_nm = 0.0
        self._heat_k = 0.0
        self._blows: list[tuple[float, float]] = []
        self.side_force_n = 0.0
        self.shunt_mv_per_v = 0.0
        self.remount()

    def remount(self) -> None:
        """A new mounting: sensitivity and zero shift as the fit happens to be this time."""
        span, zero = self._random.standard_normal(2).tolist()
        self._sensitivity: float = self._made.sensitivity_mv_per_v_per_nm * (
            1.0 + span * self._made.remount_span
        )
        self._zero_mv_per_v: float = self._made.zero_mv_per_v + zero * self._made.remount_zero_mv_per_v

    def heat(self, energy_j: float, at_s: float) -> None:
        """A blow leaves some of its energy in the shaft."""
        if self._made.heating_k_per_j > 0.0:
            self._blows.append((at_s, energy_j * self._made.heating_k_per_j))

    def signal(self, torque_nm: Numbers, start_s: float, step_s: float, stride: int) -> Numbers:
        """Bridge output in mV/V for torques in the shaft at ``start_s``, ``start_s + step_s``, ...

        ``torque_nm`` holds a whole number of groups of ``stride``; memory and drift take one step a group.
        """
        coarse, group_s = torque_nm[stride - 1 :: stride], step_s * stride
        warmth_k = self._warmth_k(start_s, group_s, coarse.size)
        deviation_nm = self._hysteresis.follow(coarse) + self._creep_nm(coarse, group_s)
        deviation_nm = deviation_nm + coarse * (self._made.span_drift_per_k * warmth_k)
        zero = self._zero_mv_per_v + self._made.side_mv_per_v_per_n * self.side_force_n
        zero += self.shunt_mv_per_v
        offset = self._sensitivity * deviation_nm + (zero + self._made.zero_drift_mv_per_v_per_k * warmth_k)
        signal = self._shape(torque_nm).reshape(-1, stride)
        signal += offset[:, np.newaxis]
        return signal.reshape(-1)

    def _shape(self, torque_nm: Numbers) -> Numbers:
        made, slope = self._made, self._sensitivity
        if made.quadratic == 0.0 and made.cubic == 0.0:
            return slope * torque_nm
        bend = slope * made.quadratic / made.rated_nm
        twist = slope * made.cubic / made.rated_nm**2
        signal = torque_nm * twist
        signal += bend
        signal *= torque_nm
        signal += slope
        signal *= torque_nm
        return signal

    def _creep_nm(self, torque_nm: Numbers, step_s: float) -> Numbers:
        if self._made.creep == 0.0:
            return np.zeros(torque_nm.shape)
        crept = _follow_slowly(torque_nm, self._crept_nm, math.exp(-step_s / self._made.creep_s))
        self._crept_nm = float(crept[-1])
        return self._made.creep * crept

    def _warmth_k(self, start_s: float, step_s: float, count: int) -> Numbers:
        made = self._made
        times = start_s + step_s * np.arange(count)
        warmth = made.warm_up_k * -np.expm1(-times / made.warm_up_s) if made.warm_up_k else np.zeros(count)
        if self._heat_k == 0.0 and not self._blows:
            return np.asarray(warmth)
        past = (times - start_s) / made.cooling_s
        heat = np.full(count, self._heat_k)
        still_to_come = []
        for at_s, kelvin in self._blows:
            behind = max(0, math.ceil((at_s - start_s) / step_s))
            if behind < count:
                heat[behind:] += kelvin * math.exp(past[behind])
            else:
                still_to_come.append((at_s, kelvin))
        self._blows = still_to_come
        heat *= np.exp(-past)
        self._heat_k = float(heat[-1]) * math.exp(-step_s / made.cooling_s)
        return np.asarray(warmth + heat)


def _follow_slowly(target: Numbers, start: float, stays: float) -> Numbers:
    """First-order lag: each step keeps the share ``stays`` of the distance to ``target``."""
    followed, _ = lfilter([1.0 - stays], [1.0, -stays], target, zi=[stays * start])
    return np.asarray(followed)
