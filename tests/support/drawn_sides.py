"""Supply and handle beside drawn records, with what is true of them.

The truth is made on a fine grid: a supply with an inner resistance, polarisation that creeps in and a charge
that runs down, under a current that rushes in, swings with every blow and carries the ripple of a motor; a
handle that swings in several ways after every blow. Sensors see it through their filter, at their own rate
and phase, by a clock that is off, with a scale and a zero that are off within their limits, in steps, with
noise.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from scipy import signal
from workshop import fixed_id

from anviltrace.metrics.facts import SideFacts
from anviltrace.records import Quantity, SideChannel, Spread

Floats = np.ndarray
Random = np.random.Generator

STEP_S = 2e-5
"""Of the fine grid."""
AXES = (Quantity.HANDLE_X, Quantity.HANDLE_Y, Quantity.HANDLE_Z)
_HELD = signal.butter(2, 4.0, "highpass", fs=1.0 / STEP_S, output="sos")
"""A handle that is held goes nowhere in the long run."""
_ROOT3 = math.sqrt(3.0)


@dataclass(frozen=True)
class Beside:
    """What was true beside a record, on a fine grid; ``at`` are seconds from the record's first sample."""

    at: Floats
    volts: Floats
    amperes: Floats
    axes: dict[Quantity, Floats]
    turning: Floats
    on_s: float
    off_s: float
    open_v: float
    ohm: float


@dataclass(frozen=True)
class Seen:
    """A channel, and the values it stands for without noise, steps, and errors of scale, zero and clock."""

    side: SideFacts
    exact: Floats
    exact_at: Floats

    @property
    def quantity(self) -> str:
        return self.side.channel.quantity


def beside(starts_s: Floats, random: Random) -> Beside:
    """A drive whose blows begin at ``starts_s`` of the record's clock."""
    first_s, last_s = float(starts_s[0]), float(starts_s[-1])
    on_s, off_s = first_s - random.uniform(0.06, 0.5), last_s + random.uniform(0.002, 0.1)
    at = np.arange(on_s - random.uniform(0.6, 1.5), off_s + random.uniform(0.3, 0.6), STEP_S)
    amperes = _current(at, on_s, off_s, starts_s, random)
    open_v, ohm = random.uniform(10.0, 42.0), _spread(random, 0.01, 0.15)
    slow_ohm, slow_s = ohm * random.uniform(0.0, 0.5), _spread(random, 2.0, 20.0)
    drained_v = random.uniform(0.0, 0.02) * np.cumsum(amperes) * STEP_S * ohm
    crept_v = slow_ohm * signal.lfilter([STEP_S / slow_s], [1.0, STEP_S / slow_s - 1.0], amperes)
    volts = open_v - ohm * amperes - drained_v - crept_v
    return Beside(
        at, volts, amperes, _shaken(at, starts_s, random), _turning(at, starts_s, random), on_s, off_s,
        open_v - ohm * float(amperes[0]), ohm,
    )  # fmt: skip


def _current(at: Floats, on_s: float, off_s: float, starts_s: Floats, random: Random) -> Floats:
    """Amperes: nothing, an inrush, running, and a swing from blow to blow; ripple of the motor on it."""
    driven_a = random.uniform(15.0, 60.0)
    since = at - on_s
    on = (since >= 0.0) & (at < off_s)
    rise = 1.0 - np.exp(-np.maximum(since, 0.0) / random.uniform(1e-3, 5e-3))
    inrush = random.uniform(0.0, 1.5) * np.exp(-np.maximum(since, 0.0) / random.uniform(0.02, 0.06))
    striking = at >= starts_s[0]
    usual = np.where(striking, 1.0, random.uniform(0.4, 0.9))
    blow = np.interp(at, starts_s, np.arange(starts_s.size), left=0.0, right=starts_s.size - 1.0)
    swing = random.uniform(0.0, 0.5) * signal.sawtooth(2.0 * math.pi * blow, random.uniform(0.1, 0.9))
    ripple = random.uniform(0.0, 0.1) * np.sin(2.0 * math.pi * random.uniform(250.0, 1500.0) * at)
    slope = 1.0 + random.uniform(-0.1, 0.3) * np.clip(since, 0.0, None) / (off_s - on_s)
    driven = driven_a * rise * slope * (usual + inrush + striking * swing + ripple)
    return np.asarray(random.uniform(0.0, 0.05) + np.where(on, np.maximum(driven, 0.0), 0.0))


def _shaken(at: Floats, starts_s: Floats, random: Random) -> dict[Quantity, Floats]:
    """Acceleration of three axes: decaying swings of 8 to 1,500 Hz at every blow, and gravity."""
    size, down = _spread(random, 20.0, 400.0), random.standard_normal(3)
    down *= 9.80665 / float(np.linalg.norm(down))
    hits = np.zeros(at.size)
    hits[np.searchsorted(at, starts_s)] = 1.0 + 0.1 * random.standard_normal(starts_s.size)
    axes = {}
    for axis, gravity in zip(AXES, down.tolist(), strict=True):
        values = np.zeros(at.size)
        for _ in range(4):
            hz, damping = _spread(random, 8.0, 1500.0), _spread(random, 0.02, 0.3)
            length = min(at.size, round(6.0 / (2.0 * math.pi * hz * damping) / STEP_S))
            lasts = np.arange(length) * STEP_S
            swing = np.exp(-2.0 * math.pi * hz * damping * lasts) * np.sin(2.0 * math.pi * hz * lasts)
            values += size * random.uniform(0.1, 1.0) * signal.oaconvolve(hits, swing)[: at.size]
        axes[axis] = gravity + signal.sosfiltfilt(_HELD, values)
    return axes


def _turning(at: Floats, starts_s: Floats, random: Random) -> Floats:
    hz, phase = random.uniform(8.0, 40.0), random.uniform(0.0, 2.0 * math.pi)
    driven = (at >= starts_s[0] - 0.2) & (at <= starts_s[-1] + 0.2)
    return np.asarray(driven * random.uniform(0.5, 5.0) * np.sin(2.0 * math.pi * hz * at + phase))


def sides(true: Beside, random: Random) -> dict[str, Seen]:
    """What sensors made of it: supply, handle, gyroscope, trigger, some of them missing in some records."""
    together = random.random() < 0.6
    supply, other = _supply_sensor(random), _supply_sensor(random)
    volts = {"step": _spread(random, 5e-4, 0.02), "noise": _spread(random, 1e-3, 0.05)}
    amperes = {"step": _spread(random, 1e-3, 0.05), "noise": _spread(random, 0.02, 0.5)}
    made = [
        _seen(true, Quantity.SUPPLY_VOLTAGE, true.volts, random, **supply, **volts,
              within_zero=_spread(random, 2e-3, 0.1)),
        _seen(true, Quantity.SUPPLY_CURRENT, true.amperes, random, **(supply if together else other),
              **amperes, within_zero=_spread(random, 0.01, 0.3)),
    ]  # fmt: skip
    handle = _handle_sensor(random)
    shared = random.uniform(-1.0, 1.0) if random.random() < 0.5 else None
    made += [
        _seen(true, axis, values, random, **handle, within_zero=0.5, scaled=shared)
        for axis, values in true.axes.items()
    ]
    held = ((true.at >= true.on_s) & (true.at < true.off_s)).astype(np.float64)
    turning: dict[str, Any] = {"rate_hz": _spread(random, 800.0, 5000.0), "averaged": False, "step": 1e-3}
    for quantity, values, noise in (
        (Quantity.HANDLE_ROTATION, true.turning, 0.02),
        (Quantity.TRIGGER, held, 0),
    ):
        clocked = {"late_s": 0.0, "clock_u_s": 5e-4, "begins_s": _begins(random), "within": 0.02}
        made.append(
            _seen(true, quantity, values, random, **turning, **clocked, noise=noise, within_zero=0.01)
        )
    return {seen.quantity: seen for seen in made}


def _begins(random: Random) -> float:
    """Share of the rest before the tool that a channel has left out; more than all of it now and then."""
    return random.uniform(1.01, 1.5) if random.random() < 0.06 else random.uniform(0.0, 0.5)


def _supply_sensor(random: Random) -> dict[str, Any]:
    clock_u_s = _spread(random, 5e-5, 1e-2)
    return {
        "rate_hz": _spread(random, 8.0, 20_000.0),
        "averaged": random.random() < 0.6,
        "late_s": random.uniform(-_ROOT3, _ROOT3) * clock_u_s,
        "clock_u_s": clock_u_s,
        "begins_s": _begins(random),
        "within": _spread(random, 1e-3, 0.02),
    }


def _handle_sensor(random: Random) -> dict[str, Any]:
    slow = random.random() < 0.1
    clock_u_s = _spread(random, 5e-5, 2e-3)
    return {
        "rate_hz": _spread(random, 500.0, 3000.0) if slow else _spread(random, 3100.0, 25_000.0),
        "averaged": False,
        "late_s": random.uniform(-_ROOT3, _ROOT3) * clock_u_s,
        "clock_u_s": clock_u_s,
        "begins_s": _begins(random),
        "within": _spread(random, 0.01, 0.1),
        "step": _spread(random, 0.01, 0.5),
        "noise": _spread(random, 0.02, 3.0),
        "phase_s": random.random(),
        "cut_off": 0.45,
    }


def _seen(
    true: Beside, quantity: Quantity, values: Floats, random: Random, *, rate_hz: float, averaged: bool,
    late_s: float, clock_u_s: float, begins_s: float, within: float, within_zero: float, step: float,
    noise: float, phase_s: float = math.nan, cut_off: float = 0.0, scaled: float | None = None,
) -> Seen:  # fmt: skip
    """One channel: filter, samples, scale, zero, noise, steps; it says it began ``late_s`` off the truth."""
    shown = values
    if averaged:
        shown = _averaged(values, max(1, round(1.0 / rate_hz / STEP_S)))
    elif cut_off:
        shown = _cut_off(values, cut_off * rate_hz)
    begins = true.at[0] + begins_s * (true.on_s - true.at[0])
    first_s = begins + ((random.random() if math.isnan(phase_s) else phase_s) + 0.5) / rate_hz
    times = np.arange(first_s, true.at[-1] - 0.5 / rate_hz, 1.0 / rate_hz)
    exact = np.interp(times, true.at, shown)
    off = (random.uniform(-1.0, 1.0) if scaled is None else scaled) * within
    read = exact * (1.0 + off) + random.uniform(-1.0, 1.0) * within_zero
    counts = np.rint((read + noise * random.standard_normal(times.size)) / step).astype(np.int32)
    channel = SideChannel(
        fixed_id(950 + list(Quantity).index(quantity)), fixed_id(1), quantity, quantity.unit, rate_hz,
        first_s + late_s, clock_u_s, step, 0.0, within / _ROOT3, within_zero / _ROOT3, Spread.RECTANGULAR,
        -(2**31), 2**31 - 1, "2026-05-04T08:30:00.000Z",
    )  # fmt: skip
    return Seen(SideFacts(channel, ((0, counts),)), exact, times)


def with_hole(seen: Seen, from_s: float, to_s: float) -> Seen:
    """The channel without its samples of a stretch of true time."""
    first, end = np.searchsorted(seen.exact_at, (from_s, to_s)).tolist()
    ((_, counts),) = seen.side.pieces
    pieces = tuple((at, part) for at, part in ((0, counts[:first]), (end, counts[end:])) if len(part))
    return replace(seen, side=replace(seen.side, pieces=pieces))


def _averaged(values: Floats, length: int) -> Floats:
    """Mean over ``length`` points around each."""
    upto = np.concatenate(([0.0], np.cumsum(values)))
    at = np.arange(values.size)
    low, high = np.maximum(at - length // 2, 0), np.minimum(at - length // 2 + length, values.size)
    return np.asarray((upto[high] - upto[low]) / (high - low))


def _cut_off(values: Floats, corner_hz: float) -> Floats:
    """Without what lies above a corner: a filter of the eighth order in all, without delay."""
    sections = signal.butter(4, min(corner_hz, 0.45 / STEP_S), fs=1.0 / STEP_S, output="sos")
    return np.asarray(signal.sosfiltfilt(sections, values))


def _spread(random: Random, low: float, high: float) -> float:
    return float(np.exp(random.uniform(math.log(low), math.log(high))))
