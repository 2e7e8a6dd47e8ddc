"""Figures under fixtures/published as plain data."""

from __future__ import annotations

import csv
import tomllib
from pathlib import Path
from typing import Any

FOLDER = Path(__file__).resolve().parents[2] / "fixtures" / "published"


def rows(name: str) -> list[dict[str, float]]:
    """The rows of a CSV file of numbers."""
    lines = (FOLDER / name).read_text(encoding="utf-8").splitlines()
    table = csv.DictReader(line for line in lines if not line.startswith("#"))
    return [{key: float(value) for key, value in row.items()} for row in table]


def values(name: str) -> dict[str, Any]:
    """The tables of a TOML file."""
    return tomllib.loads((FOLDER / name).read_text(encoding="utf-8"))
