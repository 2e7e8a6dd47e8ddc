"""Finding blows on simulated records of every kind, ours beside two detectors that others use.

The rivals are told what a detector does not know: find_peaks half the height of the median blow as prominence
and 2 ms as distance; STA/LTA (short over long time average of squares) works on the first difference, since
on torque itself the level that a joint keeps drowns the blows.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from multiprocessing import get_context

import numpy as np
from blow_train import Made, Train, make, noisy_counts
from scipy.signal import find_peaks, lfilter

from anviltrace.trace.finding import find_blows

Indices = np.ndarray
STA_S, LTA_S, ON, OFF = 0.5e-3, 50e-3, 5.0, 2.0
PER_NM = 1000.0


@dataclass(frozen=True, slots=True)
class Score:
    """How many blows were hit, missed, and found where there was none."""

    hits: int = 0
    misses: int = 0
    false: int = 0

    def __add__(self, other: Score) -> Score:
        return Score(self.hits + other.hits, self.misses + other.misses, self.false + other.false)

    @property
    def f1(self) -> float:
        """Harmonic mean of the share of blows that are found and of what is found that are blows."""
        return 2.0 * self.hits / (2.0 * self.hits + self.misses + self.false)


def score(found_s: np.ndarray, true_s: np.ndarray, within_s: float) -> Score:
    """Each blow is hit by at most one of those found, the nearest within a time."""
    apart = np.abs(found_s[:, np.newaxis] - true_s)
    hits = 0
    while apart.size and apart.min() < within_s:
        row, column = np.unravel_index(int(apart.argmin()), apart.shape)
        apart[row, :], apart[:, column] = np.inf, np.inf
        hits += 1
    return Score(hits, true_s.size - hits, found_s.size - hits)


def recursive_sta_lta(values: np.ndarray, short: int, long: int) -> np.ndarray:
    """Recursive short over long time average of squares, zero for the first ``long`` samples.

    After the definition in the documentation of ObsPy (signal.trigger.recursive_sta_lta).
    """
    squares = np.asarray(values, dtype=np.float64) ** 2
    averages = [lfilter([1.0 / n], [1.0, -(1.0 - 1.0 / n)], squares) for n in (short, long)]
    ratio = averages[0] / np.maximum(averages[1], np.finfo(float).tiny)
    ratio[:long] = 0.0
    return ratio


def trigger_onsets(ratio: np.ndarray, on: float, off: float) -> Indices:
    """Samples at which the ratio exceeds ``on``, armed again once it fell below ``off``."""
    crossing = np.where(ratio > on, 1, np.where(ratio < off, -1, 0))
    marked = np.flatnonzero(crossing)
    first = np.concatenate(([True], np.diff(crossing[marked]) != 0))
    kept = marked[first]
    return kept[crossing[kept] > 0]


def ours(counts: np.ndarray, made: Made, train: Train, noise_counts: float) -> np.ndarray:
    found = find_blows(counts, made.rate_hz, noise_counts, train.rotation)
    return found.apex_index / made.rate_hz


def by_peaks(counts: np.ndarray, made: Made, train: Train, noise_counts: float) -> np.ndarray:  # noqa: ARG001
    prominence = 0.5 * PER_NM * float(np.median(made.recorded_net_nm))
    distance = max(1, round(2e-3 * made.rate_hz))
    values = train.rotation * counts.astype(np.float64)
    return find_peaks(values, prominence=prominence, distance=distance)[0] / made.rate_hz


def by_sta_lta(counts: np.ndarray, made: Made, train: Train, noise_counts: float) -> np.ndarray:  # noqa: ARG001
    steps = np.diff(counts.astype(np.float64), prepend=float(counts[0]))
    short, long = (max(1, round(one * made.rate_hz)) for one in (STA_S, LTA_S))
    return trigger_onsets(recursive_sta_lta(steps, short, long), ON, OFF) / made.rate_hz


DETECTORS: dict[str, Callable[[np.ndarray, Made, Train, float], np.ndarray]] = {
    "find_blows": ours,
    "find_peaks": by_peaks,
    "STA/LTA": by_sta_lta,
}


def trains(random: np.random.Generator, *, uneven: bool = True) -> Iterator[Train]:
    """Benches drawn over the whole range in which blows are to be found without fail, without end.

    Half of them, if ``uneven``, miss blows and strike twice.
    """
    while True:
        width_s = float(np.exp(random.uniform(np.log(4e-4), np.log(2e-3))))
        train = Train(
            kind=str(random.choice(["through", "tightening", "loosening"])),
            blows_per_s=float(random.uniform(5.0, 80.0)),
            samples=float(random.uniform(3.0, 20.0)),
            width_s=width_s,
            natural_hz=float(np.exp(random.uniform(np.log(0.5), np.log(8.0)))) / width_s,
            damping=float(np.exp(random.uniform(np.log(0.005), np.log(0.7)))),
            averaged=bool(random.integers(2)),
            rotation=int(random.choice([-1, 1])),
        )
        if uneven and random.random() < 0.5:
            apart_s = float(random.uniform(3.0, 8.0)) * width_s
            train = replace(train, missed=0.04, doubled=0.04, double_s=apart_s)
        if _within_promise(train):
            yield train


def _within_promise(train: Train) -> bool:
    """A rig above 400 Hz that the converter keeps clear of half its rate, and a ring that halves between
    blows, doubles included."""
    shortest_s = 0.92 / train.blows_per_s
    if train.doubled:
        shortest_s = min(shortest_s, train.double_s)
    left = np.exp(-2.0 * np.pi * train.damping * train.natural_hz * (shortest_s - train.width_s))
    half_hz = 0.5 * train.rate_hz
    heard = train.natural_hz < 0.9 * half_hz or (train.averaged and train.natural_hz > 1.1 * half_hz)
    return bool(left <= 0.5 and 400.0 <= train.natural_hz <= 20_000.0 and heard)


def judge(seed: int) -> dict[str, Score]:
    """One record: every blow of it stands ten noise deviations or more above its level."""
    random = np.random.default_rng([7, seed])
    train = next(trains(random))
    made = make(train, random)
    visible = np.minimum(made.net_nm, made.recorded_net_nm)
    noise_nm = float(random.choice([1.0, 0.1, 0.01])) * visible.min() / 10.001
    counts = noisy_counts(made, noise_nm, random, PER_NM)
    within_s = max(1e-3, train.width_s + 1.5 / train.natural_hz)  # a slow rig shows its apex swings later
    return {
        name: score(found(counts, made, train, PER_NM * noise_nm), made.apex_s, within_s)
        for name, found in DETECTORS.items()
    }


def study(records: int, first: int = 0) -> dict[str, Score]:
    """All detectors over so many records, on two processes."""
    totals = dict.fromkeys(DETECTORS, Score())
    with ProcessPoolExecutor(2, get_context("spawn")) as pool:
        for scores in pool.map(judge, range(first, first + records), chunksize=20):
            for name, one in scores.items():
                totals[name] = totals[name] + one
    return totals
