"""Records of blows as arrays, made with the blow physics of the virtual rig, with what is true of them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from anviltrace.virtual import wrench
from anviltrace.virtual.rig import Resonator
from anviltrace.virtual.wrench import Friction, Pulse

TIGHTENING = Friction(hold_ratio=1.5, rate_nm_per_rad=120.0, efficiency=0.5)
LOOSENING = Friction(hold_ratio=0.85, rate_nm_per_rad=120.0, efficiency=0.35)
ENERGY_J, STIFFNESS = 10.0, 8000.0

_OVERSAMPLED = 16


@dataclass(frozen=True, slots=True, kw_only=True)
class Train:
    """What a train of blows is made from.

    ``kind``: ``through`` (nothing retained), ``tightening`` or ``loosening`` on a held rig.
    ``samples`` are on the base width ``width_s``, so the rate is ``samples``/``width_s``. ``natural_hz`` of
    0 leaves the transducer out. ``averaged``: the converter gives the mean over each sample period, else
    the value at its end. Scatters are standard deviations as a share.
    A blow is left out with the probability ``missed``, and one that is not is struck twice, ``double_s``
    apart, with the probability ``doubled``.
    """

    kind: str = "through"
    blows_per_s: float = 40.0
    samples: float = 20.0
    width_s: float = 1e-3
    natural_hz: float = 0.0
    damping: float = 0.02
    blows: int = 40
    averaged: bool = True
    rotation: int = 1
    interval_scatter: float = 0.02
    energy_scatter: float = 0.05
    rest_s: float = 0.3
    missed: float = 0.0
    doubled: float = 0.0
    double_s: float = 0.0

    @property
    def rate_hz(self) -> float:
        return self.samples / self.width_s


@dataclass(frozen=True, slots=True)
class Made:
    """A record without noise and what is true of it: torque along the clock, blows along the rotation."""

    torque_nm: np.ndarray
    rate_hz: float
    apex_s: np.ndarray
    net_nm: np.ndarray
    recorded_net_nm: np.ndarray
    impulse_nms: np.ndarray
    level_before_nm: np.ndarray
    level_after_nm: np.ndarray


def make(train: Train, random: np.random.Generator) -> Made:
    """Render a train; the first blow falls at a random phase of the sampling."""
    pulses = _pulses(train, random)
    intervals = np.maximum(0.5, 1.0 + train.interval_scatter * random.standard_normal(len(pulses) - 1))
    starts = train.rest_s + random.uniform(0.0, 1.0 / train.rate_hz)
    starts = (
        starts + np.concatenate(([0.0], np.cumsum(_uneven(train, intervals, random)))) / train.blows_per_s
    )
    samples = int((starts[-1] + train.rest_s) * train.rate_hz)
    step_s = 1.0 / (train.rate_hz * _OVERSAMPLED)
    times = step_s * np.arange(1, samples * _OVERSAMPLED + 1)
    torque = _applied(train, pulses, starts, times)
    if train.natural_hz:
        resonator = Resonator(train.natural_hz, train.damping, step_s)
        resonator.settle(float(torque[0]))
        torque = resonator.respond(torque)
    rows = torque.reshape(-1, _OVERSAMPLED)
    seen = rows.mean(axis=1) if train.averaged else rows[:, -1]
    before = np.array([float(pulse.level_before_nm) for pulse in pulses])
    return Made(
        torque_nm=train.rotation * seen,
        rate_hz=train.rate_hz,
        apex_s=starts + 0.5 * train.width_s - (1.0 if train.averaged else 2.0) * 0.5 / train.rate_hz,
        net_nm=np.array([float(pulse.apex_nm) for pulse in pulses]) - before,
        recorded_net_nm=_largest(seen, starts, train) - before,
        impulse_nms=np.array([float(pulse.impulse_nms) for pulse in pulses]),
        level_before_nm=before,
        level_after_nm=np.array([float(pulse.level_after_nm) for pulse in pulses]),
    )


def _uneven(train: Train, intervals: np.ndarray, random: np.random.Generator) -> np.ndarray:
    """Intervals with missed and double blows among them, as shares of the usual one."""
    if not train.missed and not train.doubled:
        return intervals
    kind = random.random(intervals.size)
    double = (kind < train.doubled) & np.append(True, kind[:-1] >= train.doubled)
    missed = ~double & (kind > 1.0 - train.missed)
    return np.where(double, train.double_s * train.blows_per_s, np.where(missed, 2.0 * intervals, intervals))


def noisy_counts(
    made: Made, noise_nm: float, random: np.random.Generator, per_nm: float = 1000.0
) -> np.ndarray:
    """The record as whole counts with white noise."""
    noise = noise_nm * random.standard_normal(made.torque_nm.size)
    return np.rint(per_nm * (made.torque_nm + noise)).astype(np.int32)


def _pulses(train: Train, random: np.random.Generator) -> list[Pulse]:
    strong = random.standard_normal(train.blows)
    energies = ENERGY_J * np.maximum(0.3, 1.0 + train.energy_scatter * strong)
    retained = float(random.uniform(100.0, 265.0)) if train.kind == "loosening" else 0.0
    pulses = []
    for energy, peak in zip(energies, wrench.peak_torque_nm(energies, STIFFNESS), strict=True):
        if train.kind == "through":
            pulses.append(wrench.applied_pulse(train.width_s, peak))
        elif train.kind == "tightening":
            after = float(wrench.tightened_nm(retained, energy, STIFFNESS, TIGHTENING))
            pulses.append(wrench.tightening_pulse(train.width_s, peak, retained, after))
            retained = after
        elif retained > 0.0:
            after = float(wrench.loosened_nm(retained, energy, STIFFNESS, LOOSENING))
            ratio = LOOSENING.hold_ratio
            pulses.append(wrench.loosening_pulse(train.width_s, peak, retained, after, ratio))
            retained = after
    return pulses


def _applied(train: Train, pulses: list[Pulse], starts: np.ndarray, times: np.ndarray) -> np.ndarray:
    torque = np.full(times.size, float(pulses[0].level_before_nm))
    for pulse, start in zip(pulses, starts.tolist(), strict=True):
        first, last = np.searchsorted(times, (start, start + train.width_s))
        torque[first:last] = pulse.torque_nm(times[first:last] - start)
        torque[last:] = float(pulse.level_after_nm)
    return torque


def _largest(seen: np.ndarray, starts: np.ndarray, train: Train) -> np.ndarray:
    first = np.floor(starts * train.rate_hz).astype(int)
    length = int(np.ceil(1.3 * train.samples)) + 2
    return np.array([seen[at : at + length].max() for at in first])
