"""Hits, misses and false ones of our detector and two rivals, on simulated records of every kind.

Run it by hand: ``python tests/benchmarks/detectors.py``; 2,000 records unless told. The rivals are helped:
see tests/support/detection_study.py.
"""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parent.parent / "support"))

from detection_study import DETECTORS, Score, study

PART = 200


def main() -> None:
    """Print the table; progress goes to stderr."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    parser.add_argument("--records", type=int, default=2000)
    records: int = parser.parse_args().records
    totals = dict.fromkeys(DETECTORS, Score())
    for first in range(0, records, PART):
        part = study(min(PART, records - first), first)
        totals = {name: totals[name] + part[name] for name in totals}
        print(f"{min(first + PART, records)} of {records} records", file=sys.stderr)
    print("detector      blows   hits  misses  false     F1")
    for name, one in totals.items():
        blows = one.hits + one.misses
        print(f"{name:10} {blows:8} {one.hits:6} {one.misses:7} {one.false:6}  {one.f1:.4f}")


if __name__ == "__main__":
    main()
