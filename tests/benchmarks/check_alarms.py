"""How often the check blames a sound rig, and how small a planted fault it sees. Prints a table.

Run: python tests/benchmarks/check_alarms.py [records]
"""

from __future__ import annotations

import math
import sys
from collections.abc import Callable

import numpy as np

from anviltrace.trace.codes import Codes, look_at_codes
from anviltrace.trace.drift import Drift, still_drift
from anviltrace.trace.noise import Noise, still_noise, strays
from anviltrace.trace.spectrum import Folded, MainsHum, mains_hum

RATES_HZ = (10.0, 80.0, 320.0, 2000.0, 7500.0)
SDS = (1.3, 3.0, 10.0, 45.0, 200.0)
SPLINE = np.array([1.0, 11.0, 11.0, 1.0])
"""What a sinc4 at its own rate makes of white noise."""


def sound(seed: int) -> tuple[np.ndarray, float, float]:
    """A sound record of some rate, length and noise, white or filtered, with a little drift; its noise."""
    random = np.random.default_rng(seed)
    rate_hz = random.choice(RATES_HZ)
    seconds = random.choice((12.0, 20.0, 60.0)) if rate_hz < 1000.0 else 12.0
    sd, samples = random.choice(SDS), round(rate_hz * seconds)
    noise = random.standard_normal(samples + 3)
    if random.random() < 0.5:
        noise = np.convolve(noise, SPLINE / np.linalg.norm(SPLINE), "same")
    drift = random.uniform(-1.0, 1.0) * sd * np.arange(samples) / samples
    return np.rint(sd * noise[:samples] + drift + 1000.3).astype(np.int32), float(rate_hz), float(sd)


def alarms(records: int) -> dict[str, int]:
    """How many sound records each test blames."""
    blamed = dict.fromkeys(("codes", "hum", "strays", "a loud stretch"), 0)
    for seed in range(records):
        counts, rate_hz, _ = sound(seed)
        codes, hum, noise = look_at_codes(counts), mains_hum(counts, rate_hz), still_noise(counts, rate_hz)
        blamed["codes"] += isinstance(codes, Codes) and not codes.sound
        blamed["hum"] += isinstance(hum, MainsHum) and hum.clear
        blamed["hum"] += isinstance(hum, Folded) and bool(hum.tones)
        blamed["strays"] += strays(counts).size > 0
        blamed["a loud stretch"] += isinstance(noise, Noise) and noise.loudest > noise.loudest_most
    return blamed


def seen(spoil: Callable[[np.ndarray, np.random.Generator], np.ndarray], records: int = 100) -> float:
    """Share of records, 60 s at 80 S/s with noise of 45 counts, where a planted fault of codes is found."""
    found = 0
    for seed in range(records):
        random = np.random.default_rng(seed)
        counts = np.rint(45.0 * random.standard_normal(4800) + 1000.3).astype(np.int32)
        codes = look_at_codes(spoil(counts, random))
        found += isinstance(codes, Codes) and not codes.sound
    return found / records


def stale(share: float) -> Callable[[np.ndarray, np.random.Generator], np.ndarray]:
    """A share of the readings repeats the one before."""

    def spoil(counts: np.ndarray, random: np.random.Generator) -> np.ndarray:
        places = np.flatnonzero(random.random(counts.size) < share)
        counts[places[places > 0]] = counts[places[places > 0] - 1]
        return counts

    return spoil


def sticky(share: float) -> Callable[[np.ndarray, np.random.Generator], np.ndarray]:
    """A share of the readings is one code."""
    return lambda counts, random: np.where(random.random(counts.size) < share, 1010, counts)


def hum_seen(share_of_noise: float, records: int = 100) -> float:
    """Share of records of 10 s at 2000 S/s in which hum of so many noise deviations is found."""
    times, found = np.arange(20_000) / 2000.0, 0
    for seed in range(records):
        noise = np.random.default_rng(seed).standard_normal(times.size)
        hum = mains_hum(noise + share_of_noise * np.sin(2.0 * math.pi * 50.03 * times), 2000.0)
        found += isinstance(hum, MainsHum) and hum.clear
    return found / records


def drift_held(records: int = 1000) -> float:
    """Share of 95 % intervals that hold the planted drift."""
    held, slope = 0, 0.05 * np.arange(4800) / 80.0
    for seed in range(records):
        drift = still_drift(10.0 * np.random.default_rng(seed).standard_normal(4800) + slope, 80.0)
        held += isinstance(drift, Drift) and abs(drift.per_minute - 3.0) <= drift.expanded
    return held / records


def main() -> None:
    """Print the figures."""
    records = int(sys.argv[1]) if len(sys.argv) > 1 else 2000
    print(f"sound records blamed, of {records}:")
    for name, number in alarms(records).items():
        print(f"  {name:14} {number}")
    print("found, 60 s at 80 S/s, noise of 45 counts:")
    for share in (0.005, 0.01, 0.02, 0.05):
        stale_seen, sticky_seen = seen(stale(share)), seen(sticky(share))
        print(f"  {100 * share:.1f} %: stale readings {stale_seen:4.0%}, one code {sticky_seen:4.0%}")
    print("found, 10 s at 2000 S/s:")
    for share in (0.03, 0.05, 0.07, 0.1):
        print(f"  hum of {share:.2f} of the noise's standard deviation {hum_seen(share):4.0%}")
    print(f"95 % interval of the drift holds it in {drift_held():.1%}")


if __name__ == "__main__":
    main()
