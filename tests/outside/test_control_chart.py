"""Control chart of individuals against the worked example of the NIST/SEMATECH e-Handbook, 6.3.2.2.

Data and results from memory: flow rates of ten batches, mean 50.81, mean moving range 1.8778, limits
55.8041 and 45.8159. They agree with one another, as recomputing shows.
"""

from __future__ import annotations

import csv
from pathlib import Path

import pytest

from anviltrace.calibration.control import RANGES_FACTOR, VALUES_FACTOR, control_limits

BATCHES = [49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1]


def test_limits_of_the_handbook() -> None:
    limits = control_limits(BATCHES)
    assert limits.mean == pytest.approx(50.81, abs=1e-9)
    assert limits.range_mean == pytest.approx(1.8778, abs=5e-5)
    assert limits.upper == pytest.approx(55.8041, abs=5e-5)
    assert limits.lower == pytest.approx(45.8159, abs=5e-5)


def test_factors_follow_from_the_range_of_two(root: Path) -> None:
    """3/d2 and 1 + 3·d3/d2, with d2 of the published table and d3 = 0.853 (from memory)."""
    with (root / "fixtures" / "published" / "range_d2.csv").open(encoding="utf-8") as file:
        rows = list(csv.DictReader(line for line in file if not line.startswith("#")))
    d2 = float(next(row["d2"] for row in rows if row["n"] == "2"))
    assert pytest.approx(3.0 / d2) == VALUES_FACTOR
    assert pytest.approx(2.66, abs=5e-4) == VALUES_FACTOR
    assert pytest.approx(1.0 + 3.0 * 0.853 / d2, abs=2e-3) == RANGES_FACTOR
