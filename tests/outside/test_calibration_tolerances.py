"""Limits of weights and tapes by class, as the weights file takes them, against the published tables."""

from __future__ import annotations

import math
from pathlib import Path

import pytest
from published import rows

from anviltrace.calibration.inventory import Inventory, read_inventory
from anviltrace.calibration.tolerances import WEIGHT_LIMITS_MG, TapeClass, WeightClass

SITE = "[site]\nlatitude_deg = 52\nheight_m = 0\n"
READING_M = 0.0002


def read(folder: Path, text: str) -> Inventory:
    path = folder / "weights.toml"
    path.write_text(SITE + text, encoding="utf-8")
    return read_inventory(path)


@pytest.mark.parametrize("weight_class", list(WeightClass))
def test_weights(weight_class: WeightClass, tmp_path: Path) -> None:
    """OIML R 111-1:2004, Table 1 (second-hand): fixtures/published/weight_limits_r111.csv."""
    table = rows("weight_limits_r111.csv")
    assert len(table) == len(WEIGHT_LIMITS_MG[weight_class]) == 6
    for row in table:
        kilograms = row["nominal_kg"]
        text = f'[[mass]]\nname = "w"\nmass_kg = {kilograms}\nclass = "{weight_class}"\n'
        (mass,) = read(tmp_path, text).masses
        assert 1e6 * math.sqrt(3.0) * mass.u_kg == pytest.approx(row[weight_class.value], rel=1e-12)


def test_classes_lie_half_a_decade_apart() -> None:
    """The design of R 111-1 (from memory): 5 ppm for F1, √10 between classes, rounded to 1-1.6-2-3-5-8."""
    order = (WeightClass.F1, WeightClass.F2, WeightClass.M1, WeightClass.M2, WeightClass.M3)
    for place, weight_class in enumerate(order):
        for nominal_kg, limit_mg in WEIGHT_LIMITS_MG[weight_class].items():
            assert limit_mg / nominal_kg == pytest.approx(5.0 * math.sqrt(10.0) ** place, rel=0.06)


@pytest.mark.parametrize("tape", list(TapeClass))
@pytest.mark.parametrize("shorter_m", [0.0, 0.4])
def test_tapes(tape: TapeClass, shorter_m: float, tmp_path: Path) -> None:
    """Directive 2014/32/EU, Annex X (second-hand): a begun metre counts as a whole one."""
    table = rows("tape_limits_eu.csv")
    assert len(table) == 2
    for row in table:
        length_m = row["length_m"] - shorter_m
        text = f'[[arm]]\nname = "a"\nlength_m = {length_m}\nwithin_m = {READING_M}\ntape = "{tape}"\n'
        (arm,) = read(tmp_path, text).arms
        limit_mm = 1e3 * (math.sqrt(3.0) * arm.u_m - READING_M)
        assert limit_mm == pytest.approx(row[tape.value], rel=1e-9)
