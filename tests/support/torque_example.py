"""The made-up torque calibration of fixtures/published/torque_example.csv, as indications."""

from __future__ import annotations

import csv

from published import FOLDER

from anviltrace.calibration.indications import Indication


def torque_example() -> list[Indication]:
    """Four series in order of time: up, up in one mounting; up and down in two others."""
    lines = (FOLDER / "torque_example.csv").read_text(encoding="utf-8").splitlines()
    return [
        Indication(
            series=int(row["series"]),
            mounting=1 + int(row["rotation_deg"]) // 120,
            branch=row["phase"].split("_")[0],
            load=row["torque_nm"],
            torque_nm=float(row["torque_nm"]),
            counts=float(row["indication"]),
        )
        for row in csv.DictReader(line for line in lines if not line.startswith("#"))
    ]
