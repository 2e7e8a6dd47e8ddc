"""How often intervals and bounds of the metrics of supply and handle hold the truth, on drawn records.

Run: python tests/benchmarks/side_coverage.py [RECORDS [FIRST]]    (2,000 from 0 unless told, one process)

The columns are those of metric_coverage.py.
"""

from __future__ import annotations

import sys
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "support"))

from metric_coverage import PART, show
from metric_study import Judged
from side_study import judge


def main() -> None:
    """Print the table, and what was withheld or given against the definition; progress goes to stderr."""
    records = int(sys.argv[1]) if len(sys.argv) > 1 else 2000
    first = int(sys.argv[2]) if len(sys.argv) > 2 else 0
    rows: list[Judged] = []
    began = time.monotonic()
    for done, seed in enumerate(range(first, first + records), 1):
        rows += judge(seed)
        if done % PART == 0:
            print(f"{done} records, {time.monotonic() - began:.0f} s", file=sys.stderr, flush=True)
    show(rows)
    for row in rows:
        if row.reason in ("wrong", "lacking"):
            print(f"{row.reason}: {row.name} of record {row.seed}: {row.told}")


if __name__ == "__main__":
    main()
