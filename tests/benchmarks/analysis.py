"""Analysing blows against scipy's find_peaks with prominence and distance, timed in turns in one run.

Run it by hand: ``python tests/benchmarks/analysis.py``. Records ring: a tenth of a blow is left when the next
one comes. Three parts:

- 60 runs of 10 s at 30 kS/s: finding blows and measuring all of them (target: at most 1.5 times find_peaks),
  with NumPy alone and, where Numba is installed, with the inner loops compiled;
- a recording of 10 s at 500 kS/s as it comes from an import: the same (at most 4 times), and the most memory
  that it takes at once, over that of the record in float64 (below 3);
- whole runs evaluated with one and with two processes, each result kept as it comes (at least 1.8 times as
  fast with two): ``--runs 2000`` for as many as the target names; 200 unless told.
"""

from __future__ import annotations

import argparse
import tempfile
import time
import tracemalloc
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
from scipy.signal import find_peaks

from anviltrace.archive import Archive
from anviltrace.memory import keep_memory
from anviltrace.metrics.batch import Batch, Manner
from anviltrace.records import (
    Board,
    Duty,
    Plan,
    Rig,
    RigKind,
    Rotation,
    Run,
    RunKind,
    RunState,
    ScaleKind,
    Session,
    Settings,
    Start,
    Thread,
    Zero,
    new_id,
)
from anviltrace.trace import kernels
from anviltrace.trace.blows import measure_blows
from anviltrace.trace.finding import find_blows

NOISE, PEAK, INTERVAL_S, WIDTH_S = 90.0, 400_000.0, 0.025, 1.1e-3
NATURAL_HZ, DECAY_S = 900.0, 0.010
AT = "2026-05-04T08:00:00.000Z"


def record(rate_hz: float, seconds: float, seed: int) -> np.ndarray:
    """Counts of a tool that hammers all the time, each blow with a ring of a third of its height."""
    random = np.random.default_rng(seed)
    counts = NOISE * random.standard_normal(round(seconds * rate_hz))
    since_s = np.arange(round(12.0 * DECAY_S * rate_hz)) / rate_hz
    blow = PEAK * np.sin(np.pi * np.minimum(since_s / WIDTH_S, 1.0))
    ring_s = np.maximum(0.0, since_s - WIDTH_S)
    blow += PEAK / 3.0 * np.exp(-ring_s / DECAY_S) * np.sin(2.0 * np.pi * NATURAL_HZ * ring_s)
    for start_s in np.arange(0.5, seconds - 0.5, INTERVAL_S):
        first = round((start_s + random.uniform(-0.02, 0.02) * INTERVAL_S) * rate_hz)
        counts[first : first + blow.size] += blow
    return np.rint(counts).astype(np.int32)


def analysed(values: np.ndarray, rate_hz: float) -> int:
    """Find blows and measure them all; how many."""
    found = find_blows(values, rate_hz, NOISE)
    return len(measure_blows(values, rate_hz, found, NOISE))


def peaks(values: np.ndarray, rate_hz: float) -> int:
    """What scipy finds with prominence and distance."""
    found, _ = find_peaks(values, prominence=0.5 * PEAK, distance=round(0.4 * INTERVAL_S * rate_hz))
    return len(found)


def wall_s(work: Callable[[], object]) -> float:
    begun = time.perf_counter()
    work()
    return time.perf_counter() - begun


def many_runs(make: str) -> None:
    """Sixty runs, ours and theirs in turns; who comes first finds the record far from the processor, so they
    take turns in that, too."""
    rate_hz, took, found = 30_000.0, {analysed: 0.0, peaks: 0.0}, {analysed: 0, peaks: 0}
    for seed in range(60):
        values = record(rate_hz, 10.0, seed).astype(np.float64)
        for work in (analysed, peaks) if seed % 2 else (peaks, analysed):
            begun = time.perf_counter()
            found[work] += work(values, rate_hz)
            took[work] += time.perf_counter() - begun
    print(
        f"60 runs of 10 s at 30 kS/s, {make}: ours {took[analysed]:.2f} s ({found[analysed]} blows), "
        f"find_peaks {took[peaks]:.2f} s ({found[peaks]}), ratio {took[analysed] / took[peaks]:.2f} "
        "(at most 1.5)"
    )


def both_makes() -> None:
    """With NumPy alone, and compiled with memory kept, as ``metrics`` does from 60 runs on; how long loading
    and compiling took before the first run."""
    many_runs("NumPy alone")
    begun = time.perf_counter()
    if not kernels.compile_them():
        print("Numba is not installed: pip install 'anviltrace[fast]'")
        return
    analysed(record(30_000.0, 1.0, 1).astype(np.float64), 30_000.0)
    print(f"loading Numba and what it compiled, or compiling it: {time.perf_counter() - begun:.1f} s")
    keep_memory()
    many_runs("compiled")
    kernels.use_numpy()


def fast_record() -> None:
    """A scope's capture."""
    rate_hz = 500_000.0
    values = record(rate_hz, 10.0, 1).astype(np.float64)
    ours = float(np.median([wall_s(lambda: analysed(values, rate_hz)) for _ in range(3)]))
    theirs = float(np.median([wall_s(lambda: peaks(values, rate_hz)) for _ in range(3)]))
    tracemalloc.start()
    blows = analysed(values, rate_hz)
    most = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    print(
        f"10 s at 500 kS/s: ours {ours:.2f} s ({blows} blows), find_peaks {theirs:.2f} s, ratio "
        f"{ours / theirs:.2f} (at most 4); memory {(most + values.nbytes) / values.nbytes:.2f} times the "
        "record (below 3)"
    )


def many_processes(runs: int) -> None:
    """An archive of runs, evaluated with one process, with two, with two and with one: so a machine that
    grows slower or faster meanwhile counts for neither."""
    took = {1: 0.0, 2: 0.0}
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "many.anviltrace"
        fill(path, runs)
        for jobs in (1, 2, 2, 1):
            took[jobs] += wall_s(lambda jobs=jobs: work(path, jobs)) / 2.0
    alone, together = took[1], took[2]
    print(
        f"{runs} runs of 10 s at 30 kS/s: one process {alone:.1f} s, two {together:.1f} s, "
        f"{alone / together:.2f} times as fast (at least 1.8)"
    )


def work(path: Path, jobs: int) -> None:
    with Archive.open(path, read_only=True) as archive, Batch(archive, Manner(anew=True, jobs=jobs)) as batch:
        batch.results(archive.all(Run, kind=RunKind.MEASUREMENT))


def fill(path: Path, runs: int) -> None:
    """Runs with a zero before each, in sessions of 50; 20 different records in turns."""
    settings = Settings(
        new_id(), 1, 30_000.0, 64, 0.0, ScaleKind.RATIO, 7.8, 2**23, -(2**23), 2**23 - 1, None, "ratiometric"
    )
    plan = Plan(
        new_id(),
        "tightening",
        Rotation.CW,
        Thread.RIGHT,
        Duty.TIGHTENING,
        Start.SLACK,
        9.0,
        marks_s=(1.0, 5.0),
    )
    rig, board = Rig(new_id(), "rig", RigKind.THROUGH), Board(new_id(), "", "board", "1", 1, "ads1256", 24)
    records = [record(30_000.0, 10.0, seed) for seed in range(20)]
    with Archive.open(path, create=True) as archive:
        for one in (settings, plan, rig, board):
            archive.put(one)
        for number in range(runs):
            if number % 50 == 0:
                session = Session(new_id(), rig.id, board.id, AT)
                archive.put(session)
            bare = Run(new_id(), session.id, settings.id, RunKind.ZERO, RunState.RECORDING, AT, 0)
            zero = records[number % 20][:6000]
            store(archive, bare, zero)
            mean, sd = float(zero.mean()), float(zero.std(ddof=1))
            archive.put(Zero(new_id(), session.id, bare.id, AT, mean, sd, len(zero)))
            made = replace(bare, id=new_id(), kind=RunKind.MEASUREMENT, plan_id=plan.id)
            store(archive, made, records[number % 20])


def store(archive: Archive, run: Run, counts: np.ndarray) -> None:
    with archive.begin(run) as recording:
        recording.append(0, counts)
        recording.finish(samples_total=len(counts), rate_hz=30_000.0)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    parser.add_argument("--runs", type=int, default=200)
    arguments = parser.parse_args()
    both_makes()
    fast_record()
    many_processes(arguments.runs)


if __name__ == "__main__":
    main()
