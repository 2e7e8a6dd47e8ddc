"""How much faster than real time the virtual bench is, hammering and at rest, and the ratio of the two.

Run it by hand: ``python tests/benchmarks/render.py``. Values are fetched 50 ms at a time, as the virtual
board asks for them.
"""

from __future__ import annotations

import time

from anviltrace.records import Rotation
from anviltrace.virtual.bench import Bench
from anviltrace.virtual.scenario import load, names

HAMMERING_S, RESTING_S = 100.0, 20.0


def _wall_s(bench: Bench, start_s: float, seconds: float) -> float:
    count = max(1, round(0.05 * bench.front_rate_hz))
    piece_s = count / bench.front_rate_hz
    begun = time.perf_counter()
    for piece in range(round(seconds / piece_s)):
        bench.render(count, start_s + piece * piece_s)
    return time.perf_counter() - begun


def main() -> None:
    """Print one line for each scenario."""
    for name in names():
        bench = Bench(load(name), seed=1)
        bench.operator.seat("Ostrelby", "fresh pack")
        resting = RESTING_S / _wall_s(bench, 1.0, RESTING_S)
        bench.operator.drive(Rotation.CW)
        hammering = HAMMERING_S / _wall_s(bench, 1.0 + RESTING_S, HAMMERING_S)
        print(
            f"{name:20} hammering {hammering:6.0f} x real time, resting {resting:6.0f} x, "
            f"resting/hammering {resting / hammering:4.1f}, {len(bench.truth.blows)} blows"
        )


if __name__ == "__main__":
    main()
