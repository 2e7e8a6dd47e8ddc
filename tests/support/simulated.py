"""A whole bench as arrays, without a board: weights, calibration readings, a run, and what was true of it.

The tester's statements (masses, arm, gravity, with their uncertainties) are fixed; the truth behind them is
drawn anew for every bench from the distributions stated, so that intervals can be counted that hold it.
Blow physics, resonance and converter filter are those of the virtual rig. Rendering the torque of a run
takes longer than everything else, so a number of runs is rendered once and each used for several benches,
with weights, readings, zeros and noise of their own.
"""

from __future__ import annotations

import math
import multiprocessing
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from functools import cache, lru_cache, partial
from typing import Any

import numpy as np
import numpy.typing as npt
from workshop import fixed_id, workshop

from anviltrace.calibration.line import Line, fit_line
from anviltrace.metrics.converter import boxcars_s
from anviltrace.metrics.evaluate import evaluate
from anviltrace.metrics.facts import RunFacts, zero_reading
from anviltrace.metrics.results import RunContext, RunResult
from anviltrace.onethread import environment_of_workers
from anviltrace.records import Arm, Calibration, LoadStep, Mass, RingDown, RunState, Spread
from anviltrace.virtual.frontend import SincFilter
from anviltrace.virtual.lever import lever_torque_nm
from anviltrace.virtual.rig import Resonator
from anviltrace.virtual.wrench import (
    Friction,
    Pulse,
    blow_width_s,
    climb_nm,
    peak_torque_nm,
    tightening_pulse,
)

Numbers = npt.NDArray[np.float64]
Random = np.random.Generator

RATE_HZ = 7500.0
FRONT_HZ = 30_000.0
DECIMATION = 8
STEP_S = 1.0 / (FRONT_HZ * DECIMATION)
COUNTS_PER_NM, RATED_NM = 2204.0, 500.0
NOISE_COUNTS = 105.0
STEADY = 3000
"""Samples in a calibration reading and in a zero."""
INERTIA_KGM2, BLOW_STIFFNESS, FRICTION = (
    1.0e-3,
    8000.0,
    Friction(hold_ratio=1.5, rate_nm_per_rad=120.0, efficiency=0.5),
)
BEFORE_S, AFTER_S = 0.06, 0.26
NATURAL_HZ, DAMPING = 3400.0, 0.022


@dataclass(frozen=True)
class Stated:
    """What the tester knows: weights, arm, gravity, air. And what he does not: how much the zero wanders from
    before to after a run, and how far the transducer's line bends at its rated torque (normal, one sd).
    """

    masses: tuple[Mass, ...]
    arm: Arm
    gravity: float = 9.8112
    gravity_u: float = 9.8112 * 5e-5
    air: float = 1.2
    air_u: float = 0.035
    zero_wander_nm: float = 0.02
    bend_sd: float = 3e-4


@dataclass(frozen=True)
class Truth:
    """What was so: the values that the metrics of the run are to hold."""

    impulse_mean: float
    mean_torque: float
    retained_final: float
    blows: int
    peak_mean: float = math.nan


def stated(spread: Spread, mass_u: float, length_u: float, **changes: float) -> Stated:
    """Five weights and an arm with these relative standard uncertainties."""
    weights = (("hanger", 1.0), ("plate A", 10.0), ("plate B", 10.0), ("plate C", 10.0), ("plate D", 10.0))
    masses = tuple(
        Mass(fixed_id(100 + n), name, kg, kg * mass_u, spread) for n, (name, kg) in enumerate(weights)
    )
    arm = Arm(fixed_id(110), "arm", 0.8, 0.8 * length_u, spread, angle_within_deg=0.5)
    return Stated(masses, arm, **changes)


@lru_cache(maxsize=512)
def struck(seed: int, natural_hz: float = NATURAL_HZ, damping: float = DAMPING) -> tuple[Numbers, Truth]:
    """Torque of a run as the converter delivers it, N·m at 7.5 kS/s without noise, and the truth."""
    return _run(np.random.default_rng([1, seed]), natural_hz, damping)


def bench(known: Stated, run: tuple[Numbers, Truth], random: Random) -> RunFacts:
    """One bench: a truth drawn from what is stated, a calibration made on it, and the run recorded."""
    bend = random.normal(0.0, known.bend_sd)
    line = calibrated_line(known, bend, random)
    moved = random.normal(0.0, COUNTS_PER_NM * known.zero_wander_nm)
    before = random.normal(0.0, 4000.0)
    zeros = [_noisy(np.full(STEADY, level), random) for level in (before, before + moved)]
    counts = _noisy(before + moved * random.random() + reading(run[0], bend), random)
    readings = [zero_reading(zero, RATE_HZ) for zero in zeros]
    filters = boxcars_s("ads1256", RATE_HZ, 0.0)
    return RunFacts(_context(), ((0, counts),), *readings, {1: line, -1: line}, filters)


def reading(torque_nm: Numbers, bend: float) -> Numbers:
    """Counts over the zero: a transducer whose line bends by ``bend`` (a share) at its rated torque."""
    return np.asarray(COUNTS_PER_NM * torque_nm * (1.0 + bend * torque_nm / RATED_NM))


@cache
def _context() -> RunContext:
    shop = workshop(RATE_HZ)
    run = shop.run(20, state=RunState.FINISHED, rate_hz=RATE_HZ)
    plan = replace(shop.plan, drive_s=5.0, marks_s=(0.1, 0.2))
    return RunContext(run, shop.session, shop.rig, shop.settings, plan, shop.tool, shop.supply)


def _noisy(counts: Numbers, random: Random) -> npt.NDArray[np.int32]:
    return np.rint(counts + NOISE_COUNTS * random.standard_normal(counts.size)).astype(np.int32)


def drawn(value: float, u: float, spread: Spread, random: Random) -> float:
    """A truth behind a stated value, from the distribution of its uncertainty."""
    if spread is Spread.NORMAL:
        return float(random.normal(value, u))
    return float(random.uniform(value - math.sqrt(3.0) * u, value + math.sqrt(3.0) * u))


def calibrated_line(known: Stated, bend: float, random: Random) -> Line:
    """The line of a calibration up and down on the true weights."""
    arm = known.arm
    true_kg = [drawn(mass.mass_kg, mass.u_kg, mass.spread, random) for mass in known.masses]
    density = [random.normal(m.density_kg_per_m3, m.density_u_kg_per_m3) for m in known.masses]
    gravity, air = random.normal(known.gravity, known.gravity_u), random.normal(known.air, known.air_u)
    length_m = drawn(arm.length_m, arm.u_m, arm.spread, random)
    angle_deg = random.uniform(-arm.angle_within_deg, arm.angle_within_deg)
    each = lever_torque_nm(np.array(true_kg), gravity, air, np.array(density), length_m, angle_deg)
    reached = reading(np.concatenate(([0.0], np.cumsum(each))), bend)
    count = len(true_kg)
    hung = [0, *range(1, count + 1), *range(count - 1, 0, -1), 0]
    branches = ["zero", *["up"] * count, *["down"] * (count - 1), "zero"]
    steps = [
        _step(number, branch, known, many, float(reached[many]), random)
        for number, (branch, many) in enumerate(zip(branches, hung, strict=True))
    ]
    calibration = Calibration(
        id=fixed_id(120),
        session_id=fixed_id(8),
        settings_id=fixed_id(4),
        arm_id=arm.id,
        sign=1,
        taken_at="2026-05-04T07:30:00.000Z",
        gravity_m_per_s2=known.gravity,
        gravity_u_m_per_s2=known.gravity_u,
        gravity_source="stated",
        air_density_kg_per_m3=known.air,
        air_density_u_kg_per_m3=known.air_u,
    )
    return fit_line(steps, calibration, {mass.id: mass for mass in known.masses}, arm).line


def _step(number: int, branch: str, known: Stated, many: int, counts: float, random: Random) -> LoadStep:
    mean = counts + random.normal(0.0, NOISE_COUNTS / math.sqrt(STEADY))
    return LoadStep(
        id=fixed_id(200 + number),
        calibration_id=fixed_id(120),
        number=number,
        series=1,
        mounting=1,
        branch=branch,
        run_id=fixed_id(300 + number),
        mass_ids=tuple(mass.id for mass in known.masses[:many]),
        angle_deg=0.0,
        mean_counts=mean,
        sd_counts=NOISE_COUNTS,
        drift_counts=0.0,
        samples=STEADY,
        taken_at="2026-05-04T07:30:00.000Z",
    )


def _run(random: Random, natural_hz: float, damping: float) -> tuple[Numbers, Truth]:
    """Torque as the converter delivers it, N·m at 7.5 kS/s without noise, and the truth."""
    blows = int(random.integers(8, 15))
    energies = 10.4 * (1.0 + 0.05 * random.standard_normal(blows))
    start_nm = random.uniform(0.0, 120.0)
    levels = np.concatenate(([start_nm], climb_nm(energies, BLOW_STIFFNESS, FRICTION, start_nm)))
    width_s = float(blow_width_s(INERTIA_KGM2, BLOW_STIFFNESS))
    peaks = peak_torque_nm(energies, BLOW_STIFFNESS)
    pulses = tightening_pulse(width_s, peaks, levels[:-1], levels[1:])
    intervals = 0.025 * np.maximum(0.5, 1.0 + 0.03 * random.standard_normal(blows))
    starts = BEFORE_S + random.random() / RATE_HZ + np.concatenate(([0.0], np.cumsum(intervals[:-1])))
    applied = _applied(starts, pulses, levels, width_s)
    shaft = _resonator(natural_hz, damping, start_nm).respond(applied)
    front = SincFilter(5, DECIMATION)
    front.settle(start_nm)
    torque = front.push(shaft).reshape(-1, round(FRONT_HZ / RATE_HZ)).mean(axis=1)
    impulse = float(np.mean(pulses.impulse_nms))
    return torque, Truth(
        impulse, _mean(applied, starts, pulses), float(levels[-1]), blows, float(np.mean(pulses.apex_nm))
    )


def _resonator(natural_hz: float, damping: float, level_nm: float) -> Resonator:
    resonator = Resonator(natural_hz, damping, STEP_S)
    resonator.settle(level_nm)
    return resonator


def _applied(starts: Numbers, pulses: Pulse, levels: Numbers, width_s: float) -> Numbers:
    """Torque applied to the transducer at the fine step, point n at the time n·STEP_S."""
    whole = DECIMATION * round(FRONT_HZ / RATE_HZ)
    count = math.ceil((starts[-1] + AFTER_S) / STEP_S / whole) * whole
    applied = np.empty(count)
    edges = np.concatenate(([0.0], starts, [count * STEP_S]))
    for blow in range(len(edges) - 1):
        applied[math.ceil(edges[blow] / STEP_S) : math.ceil(edges[blow + 1] / STEP_S)] = levels[blow]
    points = math.ceil(width_s / STEP_S)
    first = np.ceil(starts / STEP_S).astype(np.int64)
    index = first[:, np.newaxis] + np.arange(points)
    column = Pulse(
        width_s,
        *(
            np.asarray(field)[:, np.newaxis]
            for field in (
                pulses.peak_nm,
                pulses.level_before_nm,
                pulses.threshold_before_nm,
                pulses.level_after_nm,
                pulses.threshold_after_nm,
            )
        ),
    )
    applied[index] = column.torque_nm(index * STEP_S - starts[:, np.newaxis])
    return applied


def _mean(applied: Numbers, starts: Numbers, pulses: Pulse) -> float:
    """Mean of the applied torque from the first blow's start to that of the last, at 5 % of their heights."""
    low, apex = np.asarray(pulses.level_before_nm), np.asarray(pulses.apex_nm)
    foot = (np.asarray(pulses.threshold_before_nm) + 0.05 * (apex - low)) / np.asarray(pulses.peak_nm)
    begin = (starts + np.arcsin(foot) * float(np.max(pulses.width_s)) / math.pi) / STEP_S
    area = np.concatenate(([0.0], np.cumsum(0.5 * (applied[1:] + applied[:-1]))))
    first, last = np.interp(begin[[0, -1]], np.arange(area.size), area)
    return float((last - first) / (begin[-1] - begin[0]))


METRICS = ("impulse_mean", "mean_torque", "retained_final")
BOUNDED = "peak_mean"
"""Judged by its one-sided bounds, with the rig's ring-down on record."""
_RUNS = 200
"""Different runs that are rendered; each serves several benches."""


def judged(known: Stated, seed: int) -> list[tuple[float, float]]:
    """Error and half width, both over the truth, of each of :data:`METRICS` on one bench; then how far the
    upper and the lower bound of :data:`BOUNDED` lie beyond the truth, over it."""
    run = struck(seed % _RUNS)
    facts = bench(known, run, np.random.default_rng([2, seed]))
    result = evaluate(replace(facts, ring_down=_ring_down()))
    pairs = []
    for name in METRICS:
        found, true = _stated(result, name), float(getattr(run[1], name))
        pairs.append(((found.value - true) / true, found.expanded / true))
    found, true = _stated(result, BOUNDED), run[1].peak_mean
    upper = found.value + found.expanded + found.under_read - true
    return [*pairs, (upper / true, (true - found.value + found.expanded + found.over_read) / true)]


def _stated(result: RunResult, name: str) -> Any:
    found = result.value(name)
    assert found is not None, name
    assert found.value is not None, found.withheld
    assert found.expanded is not None
    return found


def _ring_down() -> RingDown:
    """How the rig of :func:`struck` rings, as taps tell it."""
    return RingDown(
        fixed_id(130), fixed_id(8), fixed_id(131), None, "2026-05-04T07:00:00.000Z", 5,
        NATURAL_HZ, 0.5, DAMPING, 1e-4, DAMPING,
    )  # fmt: skip


def study(known: Stated, benches: int) -> Numbers:
    """:func:`judged` for so many benches, on two processes: shape (benches, metrics + 1, 2).

    Each with one thread: on matrices this small more of them only wait for each other.
    """
    spawn = multiprocessing.get_context("spawn")
    with environment_of_workers(), ProcessPoolExecutor(2, spawn) as pool:
        return np.array(list(pool.map(partial(judged, known), range(benches), chunksize=50)))
