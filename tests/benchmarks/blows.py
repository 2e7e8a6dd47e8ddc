"""How long finding blows in 5 million counts takes against scipy's find_peaks, and the ratio of the two.

Run it by hand: ``python tests/benchmarks/blows.py``. Both are timed in turns in one run, medians are
compared. find_peaks is given the height and the distance that suit the record, and float64, which it needs;
turning counts into float64 is not counted. Records: few blows; a tool that hammers all the time on a rig
like the demo's; the same with a ring of which a quarter is left when the next blow comes.
"""

from __future__ import annotations

import time
from collections.abc import Callable

import numpy as np
from scipy.signal import find_peaks

from anviltrace.trace.finding import find_blows

SAMPLES, RATE_HZ, NOISE, PEAK = 5_000_000, 30_000.0, 90.0, 400_000.0
HEIGHT, DISTANCE = 0.7 * PEAK, 300
TURNS = 7
RECORDS = {
    "few blows": (25_000, 3400.0, 0.002),
    "hammering": (750, 3400.0, 0.002),
    "hammering and ringing": (750, 900.0, 0.018),
}


def _record(interval: int, natural_hz: float, decay_s: float) -> np.ndarray:
    """Blows of 1.1 ms every ``interval`` samples, each with a ring of a third of its height."""
    random = np.random.default_rng(1)
    counts = NOISE * random.standard_normal(SAMPLES)
    since_s = np.arange(round(12.0 * decay_s * RATE_HZ)) / RATE_HZ
    blow = PEAK * np.sin(np.pi * np.minimum(since_s / 1.1e-3, 1.0))
    ring_s = np.maximum(0.0, since_s - 1.1e-3)
    blow += PEAK / 3.0 * np.exp(-ring_s / decay_s) * np.sin(2.0 * np.pi * natural_hz * ring_s)
    for start in range(2000, SAMPLES - 2 * blow.size, interval):
        first = start + int(random.integers(-interval // 50, interval // 50))
        counts[first : first + blow.size] += blow
    return np.rint(counts).astype(np.int32)


def _wall_s(work: Callable[[], object]) -> float:
    begun = time.perf_counter()
    work()
    return time.perf_counter() - begun


def main() -> None:
    """Print one line for each record."""
    for name, made_from in RECORDS.items():
        ours, theirs, found, peaks = _compare(_record(*made_from))
        print(
            f"{name:22} find_blows {1e3 * ours:6.1f} ms ({found} found), "
            f"find_peaks {1e3 * theirs:6.1f} ms ({peaks} found), ratio {ours / theirs:.2f}"
        )


def _compare(counts: np.ndarray) -> tuple[float, float, int, int]:
    """Median seconds of find_blows and of find_peaks, and how many each found."""
    floats = counts.astype(np.float64)
    ours, theirs = [], []
    for _ in range(TURNS):
        ours.append(_wall_s(lambda: find_blows(counts, RATE_HZ, NOISE)))
        theirs.append(_wall_s(lambda: find_peaks(floats, height=HEIGHT, distance=DISTANCE)))
    found = len(find_blows(counts, RATE_HZ, NOISE))
    peaks = len(find_peaks(floats, height=HEIGHT, distance=DISTANCE)[0])
    return float(np.median(ours)), float(np.median(theirs)), found, peaks


if __name__ == "__main__":
    main()
