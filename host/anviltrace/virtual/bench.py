"""The physical world of the virtual rig: renders what the converter's first filter stage delivers.

World time counts seconds since power-up and moves only when values are asked for; it is the board's time
plus whatever the operator let pass in between. It is stepped at the rate of the inner simulation (240 kHz
for an ADS1256, 48 kHz for an HX711) while something rings, and from value to value while the torque stands
still or changes slowly; which of the two is decided by what happens on the bench, never by how the values
are fetched.
"""

from __future__ import annotations

import math
import threading
import time
from collections.abc import Callable

import numpy as np
import numpy.typing as npt

from anviltrace.records import Rotation
from anviltrace.virtual.drive import Blow, Drive
from anviltrace.virtual.lever import SlowTorque
from anviltrace.virtual.operator import Operator
from anviltrace.virtual.rig import Gauge, Resonator
from anviltrace.virtual.scenario import Scenario
from anviltrace.virtual.supply import SupplyState
from anviltrace.virtual.surroundings import Surroundings
from anviltrace.virtual.truth import Truth
from anviltrace.virtual.wrench import Numbers, Pulse, Wrench

_STRIDE = 8
"""Inner samples per step of memory and drift; divides every decimation."""
_COARSE_S = 0.002
"""Step at which slow changes are followed while no values are asked for."""
_RUN_DOWN_RISE_S = 0.05
_TAP_SHARE, _TAP_S = 0.05, 0.0003
"""A tap: its torque as a share of the rated one, and how long the hammer touches (invented, plausible)."""
_LEAST, _MOST = -(2**31), 2**31 - 1

_SAME_LEAD_S, _LEADS, _PERHAPS_S = 3e-6, 8, 1e-3
"""Leads of world time that count as one; how many are remembered; a run's sensors begin so much earlier."""

Effect = Callable[[float], None]


class Bench:
    """A bench as a scenario describes it. Noise and scatter are fresh unless ``seed`` is given."""

    def __init__(self, scenario: Scenario, seed: int | None = None) -> None:
        self.scenario = scenario
        self.truth = Truth(scenario.joint)
        self.surroundings = Surroundings(scenario.transducer, scenario.climate)
        self._ahead_of: list[tuple[float, float]] = []
        self.lock = threading.RLock()
        self.front_rate_hz = scenario.converter.front_rate_hz
        noise, blows, mounting = np.random.SeedSequence(seed).spawn(3)
        self._noise, self._blow_random = np.random.default_rng(noise), np.random.default_rng(blows)
        self._period_s = 1.0 / self.front_rate_hz
        self._decimation = scenario.converter.decimation
        self._step_s = self._period_s / self._decimation
        self._filter = scenario.converter.filter()
        made = scenario.transducer
        self._hum_mv_per_v = made.hum_mv_per_v * self._filter.magnitude(made.hum_hz, 1.0 / self._step_s)
        self._resonator = Resonator(made.natural_hz, made.damping, self._step_s)
        self._gauge = Gauge(made, np.random.default_rng(mounting))
        self._retained_nm = scenario.joint.retained_nm
        self._lever_nm = 0.0
        self._slow = SlowTorque(scenario.joint.level_nm(self._retained_nm))
        self._drive: Drive | None = None
        self._blow: Blow | None = None
        self._ringing_until_s = 0.0
        self._ringing = False
        self._last_mv_per_v = 0.0
        self._last_counts = 0.0
        self._now_s = 0.0
        self._rendered = 0
        self._watched = True
        self._pending: list[tuple[float, Effect]] = []
        self._ahead_s = 0.0
        self._slack_ordered = False
        self._faults = list(scenario.faults)
        self.operator = Operator(self)

    def render(self, count: int, at_s: float) -> npt.NDArray[np.int32]:
        """The next ``count`` first-stage values, the first of them ready at the board's time ``at_s``.

        The world idles up to ``at_s``; a time within half a period of the expected one, or earlier, just
        goes on. What the operator did since the last call takes effect here. Unit: 100 pV of input
        voltage (ADS1256) or 10 pV/V (HX711).
        """
        if count < 1:
            return np.empty(0, dtype=np.int32)
        with self.lock:
            self._let_pass(at_s + self._ahead_s - self._period_s)
            first_s = self._now_s + self._period_s
            self._note_lead(at_s, first_s - at_s)
            return self._codes(self._signal(count), first_s)

    def sense(
        self, signal: int, signals: int, count: int, at_s: float, step_s: float, width_s: float
    ) -> npt.NDArray[np.int32]:
        """What the side sensors see: means over ``width_s`` that end at the board's time ``at_s`` and later.

        Shape (count, signals); see :class:`Surroundings`. The converter's values are asked for ahead, so the
        times are past ones while it runs.
        """
        with self.lock:
            return self.surroundings.means(signal, signals, at_s + self._lead_s(at_s), step_s, width_s, count)

    @property
    def retained_nm(self) -> float:
        """Torque the joint keeps once everything ordered has been done, as a magnitude."""
        return 0.0 if self._slack_ordered else self._retained_nm

    @property
    def now_s(self) -> float:
        """World time of the last value handed out."""
        return self._now_s

    def take_fault(self) -> tuple[int, int]:
        """Code and argument of the scenario's next fault if it is due, and forget it; else (0, 0)."""
        with self.lock:
            if not self._faults or self._faults[0].at_s > self._now_s:
                return 0, 0
            fault = self._faults.pop(0)
            self.truth.happened(fault.kind.value, self._now_s, self._rendered, argument=fault.argument)
            return fault.kind.code, fault.argument

    # What the operator's hands do; each takes effect at the next rendered value.

    def order(self, kind: str, effect: Effect, **details: str | float) -> None:
        """Let ``effect`` (given the world time) happen before the next value, and note it as an event."""

        def happen(at_s: float) -> None:
            self.truth.happened(kind, at_s, self._rendered, **details)
            effect(at_s)

        self._pending.append((self._wall_s(), happen))

    def run_ahead(self, wait_s: float) -> None:
        """Let the world gain ``wait_s`` on the idle board's time, as if one had waited that long."""
        self._ahead_s += wait_s

    def load(self, torque_nm: float, force_n: float, swinging_nm: float, at_s: float) -> None:
        """The lever comes to carry ``torque_nm``, of which the part just hung swings."""
        self._lever_nm, self._gauge.side_force_n = torque_nm, force_n
        self._slow.go(self._rest_nm, at_s, self.scenario.site.lowering_s)
        self._slow.swing(swinging_nm, self.scenario.site)

    def remount(self, force_n: float, torque_nm: float, at_s: float) -> None:
        """Something is put on the transducer anew, pulling sideways with ``force_n``."""
        self._gauge.remount()
        self._lever_nm, self._gauge.side_force_n = torque_nm, force_n
        self._slow.go(self._rest_nm, at_s, self.scenario.site.lowering_s)

    def seat(self, force_n: float, torque_nm: float, state: SupplyState, at_s: float) -> None:
        """A tool is put on the transducer, with a supply on it."""
        self.remount(force_n, torque_nm, at_s)
        self.surroundings.connect(state, 0.0, at_s)

    def bare(self, at_s: float) -> None:
        """The tool is taken off and pulls sideways no more; its supply goes with it."""
        self._gauge.side_force_n = 0.0
        self.surroundings.disconnect(at_s)

    def shunt(self, mv_per_v: float) -> None:
        """A resistor across one arm of the bridge adds ``mv_per_v`` from now on; 0 when it is taken off."""
        self._gauge.shunt_mv_per_v = mv_per_v

    def slacken(self, at_s: float) -> None:
        """The joint is let go by hand."""
        self._retained_nm, self._slack_ordered = 0.0, False
        self._slow.go(self._rest_nm, at_s, self.scenario.site.lowering_s)

    def order_slack(self) -> None:
        """From now on the joint counts as slack, though :meth:`slacken` has yet to happen."""
        self._slack_ordered = True

    def tap(self, at_s: float) -> None:
        """A light hammer touches the socket end: a short knock over the torque at rest."""
        peak_nm = _TAP_SHARE * self.scenario.transducer.rated_nm * self._blow_random.uniform(0.7, 1.3)
        level_nm = float(self._slow.at(np.array([at_s]))[0])
        pulse = Pulse(_TAP_S, peak_nm, level_nm, 0.0, level_nm, 0.0)
        self._blow = Blow(at_s, 0.0, 0.0, Rotation.CW, pulse, self._retained_nm, self._retained_nm)
        after_s = self._resonator.settle_s + self._filter.order * self._period_s
        self._ringing_until_s = max(self._ringing_until_s, self._blow.end_s + after_s)

    def pull_trigger(self, tool: Wrench, supply: SupplyState, rotation: Rotation, at_s: float) -> None:
        """The tool starts to turn."""
        joint = self.scenario.joint
        drive = Drive(tool, joint, supply, rotation, self._retained_nm, at_s, self._blow_random)
        self._drive = drive
        self.surroundings.connect(supply, tool.current_a, at_s)
        self.surroundings.trigger(at_s)
        if drive.runs_down:
            self._slow.go(rotation.sign * joint.run_down_nm, at_s, _RUN_DOWN_RISE_S)
        self._note_silence(at_s)

    def let_go(self, at_s: float) -> None:
        """The trigger is released; a blow that has begun still runs its course."""
        if self._drive is not None:
            self._drive.stop(at_s)
            self.surroundings.connect(self._drive.supply, 0.0, at_s)
            self.surroundings.trigger(at_s)
        self._drive = None
        if self._slow.target_nm != self._rest_nm:
            self._slow.go(self._rest_nm, at_s, _RUN_DOWN_RISE_S)

    # Time.

    @property
    def _rest_nm(self) -> float:
        """Torque in the transducer when all is still: what the joint keeps and what a lever applies."""
        return self.scenario.joint.level_nm(self._retained_nm) + self._lever_nm

    def _let_pass(self, time_s: float) -> None:
        """Idle until ``time_s``, and let what was ordered meanwhile happen.

        An idle board's time follows the wall, so an order is as old in the world as it is on the wall.
        """
        orders, self._pending = self._pending, []
        for ordered_at, happen in orders:
            self._idle_until(time_s - (self._wall_s() - ordered_at))
            happen(self._now_s)
        self._idle_until(time_s)

    def _wall_s(self) -> float:
        """The wall's clock, put forward by what the world has gained on it."""
        return time.monotonic() + self._ahead_s

    def _idle_until(self, time_s: float) -> None:
        """Let the world go on without anyone looking until ``time_s`` (nothing when it is past that)."""
        gap_s = time_s - self._now_s
        if gap_s < 0.5 * self._period_s:
            return
        self._watched = False
        whole = math.floor(gap_s / self._period_s + 1e-6)
        rest_s = gap_s - whole * self._period_s
        if self._ringing:
            strides = max(0, int(rest_s / (_STRIDE * self._step_s)))
            self._ring(strides)
        self._signal(whole)
        self._now_s = time_s
        self._watched = True

    def _position(self, time_s: float) -> float:
        """Where ``time_s`` lies on the axis of values handed out."""
        if not self._watched:
            return float(self._rendered)
        return self._rendered - 1 + (time_s - self._now_s) / self._period_s

    def _note_lead(self, at_s: float, lead_s: float) -> None:
        """Keep in mind how far the world is ahead of the board's time from ``at_s`` on."""
        if not self._ahead_of or abs(lead_s - self._ahead_of[-1][1]) > _SAME_LEAD_S:
            self._ahead_of = [*self._ahead_of[-_LEADS:], (at_s, lead_s)]

    def _lead_s(self, at_s: float) -> float:
        known = [lead_s for from_s, lead_s in self._ahead_of if from_s <= at_s + _PERHAPS_S]
        return known[-1] if known else self._ahead_s

    # The signal: mV/V, one value per first-stage period.

    def _signal(self, count: int) -> Numbers:
        parts = []
        while count > 0:
            ringing, values = self._stretch(count)
            part = self._ringing_values(values) if ringing else self._still_values(values)
            parts.append(part)
            self._last_mv_per_v = float(part[-1])
            count -= values
            if self._watched:
                self._rendered += values
        return np.concatenate(parts) if parts else np.empty(0)

    def _stretch(self, count: int) -> tuple[bool, int]:
        """Whether the next values need the inner simulation, and for how many of them that is sure."""
        if self._ringing_until_s > self._now_s:
            return True, min(count, math.ceil((self._ringing_until_s - self._now_s) / self._period_s))
        coming = self._drive.next_blow if self._drive is not None else None
        if coming is None:
            return False, count
        quiet = math.floor((coming.start_s - self._now_s) / self._period_s)
        return (False, min(count, quiet)) if quiet > 0 else (True, 1)

    def _still_values(self, count: int) -> Numbers:
        """Slow changes only: shaft and filter follow them, the filter late by its group delay."""
        self._ringing = False
        start_s, step_s, steps = self._now_s, self._period_s, count
        if not self._watched:
            span_s = count * self._period_s
            steady = self._slow.steady(start_s - self._filter.order * self._period_s)
            steps = 1 if steady else min(count, math.ceil(span_s / _COARSE_S))
            step_s = span_s / steps
        times = np.asarray(start_s + step_s * np.arange(1, steps + 1), dtype=np.float64)
        delay_s = 0.5 * self._filter.order * self._period_s
        torque = self._slow.at(times - delay_s)
        self._now_s = start_s + count * self._period_s
        return self._gauge.signal(torque, float(times[0]), step_s, 1)

    def _ringing_values(self, count: int) -> Numbers:
        if not self._ringing:
            self._resonator.settle(float(self._slow.at(np.array([self._now_s]))[0]))
            self._filter.settle(self._last_mv_per_v)
            self._ringing = True
        return self._filter.push(self._ring(count * self._decimation // _STRIDE))

    def _ring(self, strides: int) -> Numbers:
        """Bridge output at the inner rate, ``strides`` groups of samples."""
        if strides < 1:
            return np.empty(0)
        steps = np.arange(1, strides * _STRIDE + 1)
        times = np.asarray(self._now_s + self._step_s * steps, dtype=np.float64)
        shaft = self._resonator.respond(self._applied_nm(times))
        self._now_s = float(times[-1])
        return self._gauge.signal(shaft, float(times[0]), self._step_s, _STRIDE)

    def _applied_nm(self, times_s: Numbers) -> Numbers:
        """Torque applied to the transducer: the slow torque, and blows over it."""
        torque = self._slow.at(times_s)
        while (blow := self._blow_before(float(times_s[-1]))) is not None:
            first, last = np.searchsorted(times_s, (blow.start_s, blow.end_s))
            along = blow.pulse.torque_nm(times_s[first:last] - blow.start_s)
            torque[first:last] = blow.rotation.sign * along
            if last == times_s.size:
                break
            torque[last:] = self._slow.at(times_s[last:])
            self._blow = None
        return torque

    def _blow_before(self, time_s: float) -> Blow | None:
        """The blow in progress, or the next if it starts by ``time_s``."""
        drive = self._drive
        coming = drive.next_blow if drive is not None else None
        if self._blow is None and drive is not None and coming is not None and coming.start_s <= time_s:
            self._begin(drive, coming)
        return self._blow

    def _begin(self, drive: Drive, blow: Blow) -> None:
        self._blow = blow
        self._retained_nm = blow.retained_after_nm
        self._slow.hold(self._rest_nm)
        self._gauge.heat(blow.energy_j, blow.apex_s)
        self.surroundings.blow(blow.start_s, blow.energy_j, drive.kick_m_per_s2(blow.energy_j))
        after_s = self._resonator.settle_s + self._filter.order * self._period_s
        self._ringing_until_s = max(self._ringing_until_s, blow.end_s + after_s)
        self.truth.struck(blow, self._position(blow.start_s))
        drive.advance(self._retained_nm)
        self._note_silence(blow.end_s)

    def _note_silence(self, at_s: float) -> None:
        """Note when the tool strikes no more; free of the joint it turns against the run-down torque."""
        drive, joint = self._drive, self.scenario.joint
        if drive is None or not drive.silence:
            return
        self.truth.happened(drive.silence, at_s, self._position(at_s))
        if drive.silence == "spins free" and joint.run_down_nm:
            self._slow.go(drive.rotation.sign * joint.run_down_nm, at_s, _RUN_DOWN_RISE_S)

    # From mV/V to what the chip's own arithmetic starts from.

    def _codes(self, signal_mv_per_v: Numbers, first_s: float) -> npt.NDArray[np.int32]:
        converter, made = self.scenario.converter, self.scenario.transducer
        scale = converter.counts_per_mv_per_v
        noise = math.hypot(converter.noise_counts, scale * made.noise_mv_per_v)
        counts = scale * signal_mv_per_v
        if noise > 0.0:
            counts += noise * self._noise.standard_normal(counts.size)
        if self._hum_mv_per_v > 0.0:
            turns = made.hum_hz * (first_s + self._period_s * np.arange(counts.size))
            counts += scale * self._hum_mv_per_v * np.sin(2.0 * np.pi * turns)
        counts = converter.spoil(counts, self._last_counts, self._noise)
        self._last_counts = float(counts[-1])
        np.rint(counts, out=counts)
        np.clip(counts, _LEAST, _MOST, out=counts)
        return counts.astype(np.int32)
