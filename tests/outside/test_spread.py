"""Spread of repeats against published tables."""

from __future__ import annotations

import csv
import math
from pathlib import Path

import pytest

from anviltrace.calibration.coverage import coverage_factor, effective_dof
from anviltrace.compare.spread import best_of_n_factor, spread


def table(root: Path, name: str) -> list[dict[str, str]]:
    text = (root / "fixtures" / "published" / name).read_text(encoding="utf-8")
    return list(csv.DictReader(line for line in text.splitlines() if not line.startswith("#")))


def test_student_t(root: Path) -> None:
    """GUM table G.2, 95 % column: every entry to its two decimals."""
    rows = table(root, "student_t_95.csv")
    assert len(rows) == 23
    for row in rows:
        assert coverage_factor(float(row["dof"])) == pytest.approx(float(row["t"]), abs=0.0051), row


def test_best_of_n(root: Path) -> None:
    """Control chart constants d2 (expected range of n normal values): the largest lies half of it up."""
    rows = table(root, "range_d2.csv")
    assert len(rows) == 13
    for row in rows:
        assert 2.0 * best_of_n_factor(int(row["n"])) == pytest.approx(float(row["d2"]), abs=0.00051), row


def test_effective_dof() -> None:
    """GUM H.1, end gauge: components with their degrees of freedom (H.1.3.1 to H.1.3.4); H.1.6 states
    u_c = 32 nm and 16.7 effective degrees of freedom (the latter from memory)."""
    parts = [(25.0, 18.0), (16.599, 2.0), (6.7, 8.0), (5.8, 24.0), (3.9, 5.0), (2.88679, 50.0)]
    assert round(math.hypot(*(u for u, _ in parts))) == 32
    assert effective_dof(parts) == pytest.approx(16.7, abs=0.06)


def test_mean_of_temperature_readings() -> None:
    """GUM 4.4.3, table 1: 20 readings, mean 100.145 °C, s 1.489 °C, s of the mean 0.333 °C (from memory)."""
    readings = [
        96.90, 98.18, 98.25, 98.61, 99.03, 99.49, 99.56, 99.74, 99.89, 100.07,
        100.33, 100.42, 100.68, 100.95, 101.11, 101.20, 101.57, 101.84, 102.36, 102.72,
    ]  # fmt: skip
    found = spread(readings)
    assert found.mean == pytest.approx(100.145, abs=0.0005)
    assert found.sd is not None
    assert found.sd == pytest.approx(1.489, abs=0.0005)
    assert found.sd / math.sqrt(found.n) == pytest.approx(0.333, abs=0.0005)
