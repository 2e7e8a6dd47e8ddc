"""How often intervals and bounds of every metric hold the truth, on drawn records of every kind.

Run: python tests/benchmarks/metric_coverage.py [RECORDS [FIRST]]    (2,000 from 0 unless told, one process)

The lines of two-sided intervals: how many were judged, how many in percent hold the truth, all of them and
apart those of which something known by its limits (a rectangle) has less and more than half of the variance;
``width`` is how many times the 95th percentile of the error the intervals are wide. ``above`` and ``below``:
how often the truth stays below the upper and above the lower bound, interval included.
"""

from __future__ import annotations

import math
import sys
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "support"))

from metric_study import Judged, Line, judge, line_of

from anviltrace.metrics.catalogue import CATALOGUE

PART = 100
COLUMNS = (
    "given",
    "withheld",
    "open",
    "wrong",
    "judged",
    "held",
    "normal",
    "limits",
    "width",
    "above",
    "below",
)

MODELS = ("exponential", "square root", "neither")


def main() -> None:
    """Print the table; progress goes to stderr."""
    records = int(sys.argv[1]) if len(sys.argv) > 1 else 2000
    first = int(sys.argv[2]) if len(sys.argv) > 2 else 0
    rows: list[Judged] = []
    began = time.monotonic()
    for seed in range(first, first + records):
        rows += judge(seed)
        if (seed - first + 1) % PART == 0:
            print(
                f"{seed - first + 1} records, {time.monotonic() - began:.0f} s", file=sys.stderr, flush=True
            )
    show(rows)
    show_climbs(rows)


def show(rows: list[Judged]) -> None:
    print(f"{'metric':18}" + "".join(f"{name:>9}" for name in COLUMNS))
    for name in CATALOGUE:
        if any(row.name == name for row in rows):
            print(text(line_of(name, rows)))


def show_climbs(rows: list[Judged]) -> None:
    """Whether an exponential is given for climbs of each kind, and which model the levels then speak for."""
    print(f"\n{'true climb':18}" + "".join(f"{name:>14}" for name in ("refused", *MODELS)))
    for climb in ("exponential", "root", "physics", "relaxing"):
        mine = [row for row in rows if row.name == "climb_end" and row.climb == climb]
        refused = sum(bool(row.reason) for row in mine)
        told = [sum(model in row.told for row in mine if not row.reason) for model in MODELS]
        print(f"{climb:18}" + "".join(f"{count:>14}" for count in (refused, *told)))


def text(line: Line) -> str:
    counts = (line.given, line.withheld, line.open, line.wrong, line.judged)
    shares = (line.held, line.held_normal, line.held_limited)
    cells = [f"{count:>9}" for count in counts]
    cells += [_percent(share) for share in shares]
    cells += ["        -" if math.isnan(line.width) else f"{line.width:>9.2f}"]
    cells += [_percent(share) for share in (line.above, line.below)]
    return f"{line.name:18}" + "".join(cells)


def _percent(share: float) -> str:
    return "        -" if math.isnan(share) else f"{100.0 * share:>9.1f}"


if __name__ == "__main__":
    main()
