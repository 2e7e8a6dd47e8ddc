"""Records of blows drawn over everything that matters to a metric, with what is true of each of them.

Rates, widths, converters, resonance and damping, noise, missed and double blows, kinds of rig, and how a held
joint climbs: by the blow physics of the virtual rig, or by an exponential or a square root with scatter, so
that a model can be held against a truth of its own kind. The true torque is rendered on a fine grid, goes
through the rig's resonance and the converter's boxcars (centred, so that nothing is delayed), and is sampled
at a random phase by a clock that is off.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np
from scipy.ndimage import uniform_filter1d
from simulated import COUNTS_PER_NM, Stated, calibrated_line, drawn, reading
from workshop import fixed_id, workshop

from anviltrace.calibration.line import Line
from anviltrace.capture.onset import baseline, find_onset, floor_counts
from anviltrace.metrics.facts import RunFacts, zero_reading
from anviltrace.metrics.results import RunContext
from anviltrace.records import Duty, RigKind, RingDown, Rotation, RunState, Spread, Start, Thread
from anviltrace.virtual import wrench
from anviltrace.virtual.rig import Resonator
from anviltrace.virtual.wrench import Friction, Pulse

Floats = np.ndarray
Random = np.random.Generator

JOINT = Friction(hold_ratio=1.5, rate_nm_per_rad=120.0, efficiency=0.5)
LOOSE = Friction(hold_ratio=0.85, rate_nm_per_rad=120.0, efficiency=0.35)
STIFFNESS = 8000.0
CLOCK_PPM = 100.0
BEFORE_S, AFTER_S, LONG_S = 0.15, 0.26, 10.3
SLOW_AFTER_S, SLOW_HZ = 1.6, 1000.0
START, MOST_BLOWS, MOST_S = 0.05, 60, 3.0
_SINC_HZ = 30_000.0


@dataclass(frozen=True)
class Bench:
    """What a record is made from. ``climb`` is that of a held joint: physics, exponential, root, relaxing."""

    kind: RigKind
    loosening: bool
    climb: str
    rate_hz: float
    converter: str
    width_s: float
    natural_hz: float
    damping: float
    tapped: bool
    noise_share: float
    blows_per_s: float
    missed: float
    doubled: float
    double_s: float
    energy_j: float
    scatter: float
    rotation: int
    blows: int
    drive_share: float
    zeros: bool = True

    @property
    def samples(self) -> float:
        """On the base width."""
        return self.width_s * self.rate_hz


@dataclass(frozen=True)
class Struck:
    """The pulses of a record, their starts in seconds by the board's clock, and which are second strikes.

    ``climb_nm`` is how the levels after the blows would climb without scatter; NaN where that is not known.
    """

    pulses: Pulse
    start_s: Floats
    double: Floats
    climb_nm: Floats
    constants: float = math.nan
    tau_s: float = math.nan
    end_nm: float = math.nan
    gain: float = math.nan

    @property
    def levels_nm(self) -> Floats:
        """Level before the first pulse and after each one."""
        return np.append(self.pulses.level_before_nm[0], self.pulses.level_after_nm)


@dataclass(frozen=True)
class Drawn:
    """A record: its bench, the facts as an evaluation gets them, its pulses, and the torque without noise.

    ``applied`` and ``shown`` (behind resonance and converter) lie on the fine grid ``step_s`` by the board's
    clock. ``stretch`` turns its seconds into true ones.
    """

    seed: int
    bench: Bench
    facts: RunFacts
    struck: Struck
    applied: Floats
    shown: Floats
    step_s: float
    first_s: float
    stretch: float
    drive_s: float
    marks_s: tuple[float, ...] = ()
    thresholds_nm: tuple[float, ...] = ()

    @property
    def noise_nm(self) -> float:
        """Standard deviation of the noise of one sample."""
        return self.bench.noise_share * usual_net_nm(self.struck)

    @property
    def limit_nm(self) -> float:
        """As far as the calibration vouches for torque."""
        line = self.facts.lines[1]
        assert not isinstance(line, str)
        return line.limit_nm


def known(spread: Spread = Spread.NORMAL) -> Stated:
    """Class M3 weights and half a metre by a class II tape, as in the coverage of whole benches."""
    from simulated import stated

    return stated(spread, mass_u=289e-6, length_u=577e-6)


def benches(random: Random) -> Iterator[Bench]:
    """Benches without end, whose doubles are three widths apart and whose ring halves between blows."""
    while True:
        one = _bench(random)
        if _within_promise(one):
            yield one


def _bench(random: Random) -> Bench:
    kind = random.choice(["fixed", "through", "held", "loosening"], p=[0.15, 0.15, 0.58, 0.12])
    climb = random.choice(["physics", "exponential", "root", "relaxing"], p=[0.2, 0.4, 0.25, 0.15])
    width_s = _spread(random, 4e-4, 2e-3)
    samples = random.uniform(1.0, 3.0) if random.random() < 0.1 else random.uniform(3.0, 20.0)
    rate_hz = float(np.clip(samples / width_s, 500.0, 30_000.0))
    converter = str(random.choice(["point", "mean", "ads1256"]))
    if converter == "ads1256":
        rate_hz = _SINC_HZ / max(1, min(15, round(_SINC_HZ / rate_hz)))
    if random.random() < 0.05:
        rate_hz, converter = random.uniform(60.0, 990.0), "mean"
    uneven = random.random() < 0.5 and rate_hz > SLOW_HZ and samples >= 3.0
    per_s = random.uniform(5.0, 80.0)
    double_s = _double_s(random, width_s, per_s)
    held = kind == "held"
    return Bench(
        kind=RigKind.HELD if kind in ("held", "loosening") else RigKind(kind),
        loosening=kind == "loosening",
        climb=str(climb) if held else "none",
        rate_hz=rate_hz if not (held and climb == "relaxing") else min(rate_hz, 10_000.0),
        converter=converter,
        width_s=width_s,
        natural_hz=_spread(random, 0.8, 25.0) / width_s,
        damping=_spread(random, 0.005, 0.3),
        tapped=random.random() < 0.85,
        noise_share=_spread(random, 1e-4, 2e-2),
        blows_per_s=per_s,
        missed=0.04 * uneven,
        doubled=0.04 * (uneven and double_s > 0.0),
        double_s=double_s,
        energy_j=_spread(random, 2.0, 9.0),
        scatter=_spread(random, 2e-3, 2e-2),
        rotation=int(random.choice([-1, 1])),
        blows=int(min(random.integers(6, MOST_BLOWS + 1), max(6, per_s * MOST_S))),
        drive_share=random.uniform(0.6, 1.0) if random.random() < 0.3 or rate_hz < SLOW_HZ else 2.0,
        zeros=random.random() > 0.02,
    )


def _double_s(random: Random, width_s: float, per_s: float) -> float:
    """From three widths on, and surely below half the usual interval; 0 where there is nothing between."""
    most = min(8.0, 0.42 / per_s / width_s)
    return random.uniform(3.0, most) * width_s if most > 3.0 else 0.0


def _spread(random: Random, low: float, high: float) -> float:
    return float(np.exp(random.uniform(math.log(low), math.log(high))))


def _within_promise(bench: Bench) -> bool:
    shortest_s = 0.9 / bench.blows_per_s
    if bench.doubled:
        shortest_s = min(shortest_s, bench.double_s)
    rest_s = shortest_s - bench.width_s
    left = math.exp(-2.0 * math.pi * bench.damping * bench.natural_hz * rest_s)
    half_hz = 0.5 * bench.rate_hz
    heard = bench.natural_hz < 0.9 * half_hz or (
        bench.converter != "point" and bench.natural_hz > 1.1 * half_hz
    )
    slow = bench.rate_hz < SLOW_HZ
    return left <= 0.5 and 400.0 <= bench.natural_hz <= 20_000.0 and (heard or slow) and rest_s > 0.0


def drawn_record(seed: int) -> Drawn:
    """The record of a seed: the same at any time and in any process."""
    random = np.random.default_rng([11, seed])
    bench = next(benches(random))
    struck = _struck(bench, random)
    return _recorded(seed, bench, struck, random)


def _struck(bench: Bench, random: Random) -> Struck:
    count = bench.blows
    scatter = 0.05 if bench.climb in ("none", "physics") else 0.03
    energies = bench.energy_j * np.maximum(0.5, 1.0 + scatter * random.standard_normal(count))
    peaks = wrench.peak_torque_nm(energies, STIFFNESS)
    intervals = np.maximum(0.7, 1.0 + 0.02 * random.standard_normal(count - 1)) / bench.blows_per_s
    draw = random.random(count - 1)
    double = (draw < bench.doubled) & np.append(True, draw[:-1] >= bench.doubled)
    double[:2] = double[-2:] = False
    intervals = np.where(
        double, bench.double_s, np.where(draw > 1.0 - bench.missed, 2.0 * intervals, intervals)
    )
    start_s = BEFORE_S + random.random() / bench.rate_hz + np.append(0.0, np.cumsum(intervals))
    after_double = np.append(False, double)
    if bench.kind is not RigKind.HELD:
        zero = np.zeros(count)
        pulses = Pulse(bench.width_s, peaks, zero, zero, zero, zero)
        return Struck(pulses, start_s, after_double, np.full(count, math.nan))
    if bench.loosening:
        return _loosened(bench, energies, peaks, start_s, after_double, random)
    return _tightened(bench, energies, peaks, start_s, after_double, random)


def _loosened(
    bench: Bench, energies: Floats, peaks: Floats, start_s: Floats, double: Floats, random: Random
) -> Struck:
    preset_nm = random.uniform(0.2, 0.55) * float(peaks.min())
    after = wrench.climb_nm(energies, STIFFNESS, LOOSE, preset_nm, loosening=True)
    before = np.append(preset_nm, after[:-1])
    pulses = wrench.loosening_pulse(bench.width_s, peaks, before, after, LOOSE.hold_ratio)
    return Struck(pulses, start_s, double, np.full(len(after), math.nan))


def _tightened(
    bench: Bench, energies: Floats, peaks: Floats, start_s: Floats, double: Floats, random: Random
) -> Struck:
    """Levels by the joint's own physics, or by a model with scatter that knows nothing of its neighbours."""
    least = float(peaks.min())
    number, time_s = np.arange(1.0, energies.size + 1.0), start_s + 0.5 * bench.width_s
    from_s = start_s[0]
    start_nm = random.uniform(0.0, 0.1) * least
    more: dict[str, float] = {}
    if bench.climb == "exponential":
        end, constants = random.uniform(0.25, 0.5) * least, random.uniform(0.6, 5.0)
        tau_s = float(time_s[-1] - time_s[0]) / constants
        climb = end - (end - start_nm) * np.exp(-(time_s - from_s) / tau_s)
        more = {"constants": constants, "tau_s": tau_s, "end_nm": end}
    elif bench.climb == "root":
        last = random.uniform(0.25, 0.5) * least
        gain = (last**2 - start_nm**2) / energies.size
        climb, more = np.sqrt(start_nm**2 + gain * number), {"gain": gain}
    else:
        climb = wrench.climb_nm(energies, STIFFNESS, JOINT, start_nm)
    modelled = bool(more)
    after = climb + modelled * bench.scatter * climb[-1] * random.standard_normal(climb.size)
    after = np.maximum(after, 0.0)
    pulses = wrench.tightening_pulse(bench.width_s, peaks, np.append(start_nm, after[:-1]), after)
    return Struck(pulses, start_s, double, climb if modelled else np.full(climb.size, math.nan), **more)


def _recorded(seed: int, bench: Bench, struck: Struck, random: Random) -> Drawn:
    boxcars_s, fine = _converter(bench)
    step_s = 1.0 / (bench.rate_hz * fine)
    after_s = LONG_S if bench.climb == "relaxing" else AFTER_S if bench.rate_hz >= SLOW_HZ else SLOW_AFTER_S
    length = math.ceil((struck.start_s[-1] + after_s) * bench.rate_hz) * fine
    applied = _applied(struck, bench, np.arange(length) * step_s)
    shown = _rung(bench, applied, step_s)
    for one in boxcars_s:
        shown = uniform_filter1d(shown, round(one / step_s), mode="nearest")
    first = fine // 2
    torque = shown[first::fine]
    noise_nm = bench.noise_share * usual_net_nm(struck)
    stated_u, bend = known(), float(random.normal(0.0, 3e-4))
    line = calibrated_line(stated_u, bend, random)
    stretch = 1.0 + 1e-6 * CLOCK_PPM * float(random.uniform(-1.0, 1.0))
    facts, planned = _facts(bench, struck, torque, noise_nm, bend, line, boxcars_s, random)
    return Drawn(seed, bench, facts, struck, applied, shown, step_s, first * step_s, stretch, *planned)


def usual_net_nm(struck: Struck) -> float:
    """Median height of the blows over the level before them."""
    return float(np.median(np.asarray(struck.pulses.apex_nm) - struck.pulses.level_before_nm))


def _converter(bench: Bench) -> tuple[tuple[float, ...], int]:
    """Boxcars in seconds, and points of the fine grid on a sample distance (odd, so that all is centred)."""
    if bench.converter == "ads1256":
        averaged = round(_SINC_HZ / bench.rate_hz)
        each = 2 * math.ceil(48.0 / bench.samples / averaged / 2.0) + 1
        return (*[1.0 / _SINC_HZ] * 4, averaged / _SINC_HZ), each * averaged
    fine = 2 * math.ceil(60.0 / bench.samples) + 1
    return ((1.0 / bench.rate_hz,) if bench.converter == "mean" else ()), fine


def _applied(struck: Struck, bench: Bench, times: Floats) -> Floats:
    levels, width = struck.levels_nm, bench.width_s
    at = np.searchsorted(times, struck.start_s + 0.5 * width)
    applied = levels[np.searchsorted(at, np.arange(times.size), side="right")].astype(np.float64)
    for place, start in enumerate(struck.start_s.tolist()):
        first, last = np.searchsorted(times, (start, start + width))
        applied[first:last] = _one(struck.pulses, place).torque_nm(times[first:last] - start)
    if bench.climb == "relaxing":
        applied -= _relaxed(levels[-1], times - (struck.start_s[-1] + width))
    return applied


def _relaxed(level_nm: float, since_s: Floats) -> Floats:
    """A joint that settles by 2 % of its torque for each decade of time from 10 ms on."""
    return 0.02 * level_nm * np.log10(1.0 + np.maximum(since_s, 0.0) / 0.01)


def relaxed_nm(drawn_one: Drawn, from_s: float, to_s: float) -> float:
    """Mean torque lost in a stretch of true time after the last apex."""
    struck, bench = drawn_one.struck, drawn_one.bench
    times = np.linspace(from_s, to_s, 2001) - 0.5 * bench.width_s
    return float(_relaxed(struck.levels_nm[-1], times).mean())


def _one(pulses: Pulse, place: int) -> Pulse:
    columns = (
        pulses.peak_nm, pulses.level_before_nm, pulses.threshold_before_nm, pulses.level_after_nm,
        pulses.threshold_after_nm,
    )  # fmt: skip
    return Pulse(pulses.width_s, *(float(np.asarray(one)[place]) for one in columns))


def _rung(bench: Bench, applied: Floats, step_s: float) -> Floats:
    resonator = Resonator(bench.natural_hz, bench.damping, step_s)
    resonator.settle(float(applied[0]))
    return resonator.respond(applied)


def _facts(
    bench: Bench, struck: Struck, torque: Floats, noise_nm: float, bend: float, line: Line,
    boxcars_s: tuple[float, ...], random: Random,
) -> tuple[RunFacts, tuple[float, tuple[float, ...], tuple[float, ...]]]:  # fmt: skip
    noise, zero = noise_nm * COUNTS_PER_NM, float(random.normal(0.0, 4000.0))
    moved = COUNTS_PER_NM * float(random.normal(0.0, 2e-4)) * float(np.asarray(struck.pulses.peak_nm).max())
    signed = bench.rotation * torque
    counts = zero + moved * random.random() + np.where(signed >= 0, 1, -1) * reading(np.abs(signed), bend)
    readings = [
        zero_reading(_noisy(np.full(round(bench.rate_hz), level), noise, random), bench.rate_hz)
        for level in (zero, zero + moved)
    ]
    lasts_s = float(struck.start_s[-1] - struck.start_s[0])
    drive_s = bench.drive_share * lasts_s
    marks_s = tuple(float(one) for one in np.sort(random.uniform(0.05, 1.15, 2)) * lasts_s)
    thresholds = tuple(
        float(one) for one in np.sort(random.uniform(0.2, 1.1, 2)) * max(1.0, struck.levels_nm[-1])
    )
    recorded = _noisy(counts, noise, random)
    run = {"onset_index": _onset(bench, recorded), "release_index": round(struck.start_s[-1] * bench.rate_hz)}
    context = _context(bench, drive_s, marks_s, run)
    facts = RunFacts(
        context, ((0, recorded),), *(readings if bench.zeros else (None, None)),
        {1: line, -1: line}, boxcars_s, ring_down=_ring_down(bench, random), thresholds_nm=thresholds,
    )  # fmt: skip
    return facts, (drive_s, marks_s, thresholds)


def _noisy(counts: Floats, noise: float, random: Random) -> Floats:
    return np.rint(counts + noise * random.standard_normal(counts.size)).astype(np.int32)


def _onset(bench: Bench, counts: Floats) -> int | None:
    """The onset as the recorder finds it, by the stretch before it."""
    quiet = counts[: max(2, int(0.8 * BEFORE_S * bench.rate_hz))].astype(np.float64)
    before = baseline(quiet, floor_counts(workshop(bench.rate_hz).settings))
    found = find_onset(bench.rotation * (counts - before.mean_counts), before, bench.rate_hz)
    return None if found is None else found[0]


def _context(
    bench: Bench, drive_s: float, marks_s: tuple[float, ...], seen: dict[str, int | None]
) -> RunContext:
    shop = workshop(bench.rate_hz)
    run = shop.run(20, state=RunState.FINISHED, rate_hz=bench.rate_hz, **seen)
    tightens_left = bench.loosening == (bench.rotation > 0)
    plan = replace(
        shop.plan,
        rotation=Rotation.CW if bench.rotation > 0 else Rotation.CCW,
        thread=Thread.LEFT if tightens_left else Thread.RIGHT,
        duty=Duty.LOOSENING if bench.loosening else Duty.TIGHTENING,
        start=Start.PRESET,
        drive_s=drive_s,
        marks_s=marks_s,
    )
    rig = replace(shop.rig, kind=bench.kind)
    return RunContext(run, shop.session, rig, shop.settings, plan, shop.tool, shop.supply)


def _ring_down(bench: Bench, random: Random) -> RingDown | None:
    """How the rig rings, as taps tell it: within their stated uncertainty."""
    if not bench.tapped:
        return None
    u_hz, u_damping = 2e-3 * bench.natural_hz, 0.03 * bench.damping
    natural_hz = drawn(bench.natural_hz, u_hz, Spread.NORMAL, random)
    damping = drawn(bench.damping, u_damping, Spread.NORMAL, random)
    return RingDown(
        fixed_id(130), fixed_id(8), fixed_id(131), None, "2026-05-04T07:00:00.000Z", 5,
        natural_hz, u_hz, damping, u_damping, damping,
    )  # fmt: skip
