"""Shunts in a weights file."""

from __future__ import annotations

import math
import tomllib
from pathlib import Path

import pytest

from anviltrace.calibration.inventory import read_inventory
from anviltrace.calibration.shuntfile import read_shunts
from anviltrace.errors import PlanError
from anviltrace.records import Spread

LIMITS = """
[[shunt]]
name = "100 kilohm"
resistor_ohm = 100000
resistor_within_percent = 0.1
bridge_ohm = 350
bridge_within_percent = 0.3
"""
STANDARD = """
[[shunt]]
name = "59 kilohm"
resistor_ohm = 59000
resistor_u_ohm = 4
bridge_ohm = 350
bridge_u_ohm = 0.2
note = "measured"
"""


def test_limits_are_rectangles_and_standard_uncertainties_normal() -> None:
    one, other = read_shunts(tomllib.loads(LIMITS + STANDARD), "weights.toml")
    assert (one.name, one.spread) == ("100 kilohm", Spread.RECTANGULAR)
    assert one.resistor_u_ohm == pytest.approx(100.0 / math.sqrt(3.0))
    assert one.bridge_u_ohm == pytest.approx(1.05 / math.sqrt(3.0))
    assert (other.resistor_u_ohm, other.bridge_u_ohm) == (4.0, 0.2)
    assert (other.spread, other.note) == (Spread.NORMAL, "measured")


def test_the_same_description_has_the_same_id() -> None:
    (one,), (again,) = (read_shunts(tomllib.loads(text), "a") for text in (LIMITS, LIMITS + "\n# later\n"))
    (other,) = read_shunts(tomllib.loads(LIMITS.replace("100000", "100010")), "a")
    assert one.id == again.id != other.id
    assert read_shunts({}, "a") == ()


@pytest.mark.parametrize(("text", "words"), [
    (LIMITS + LIMITS, "100 kilohm"),
    (LIMITS.replace("bridge_within_percent = 0.3", ""), "needs either resistor_within_percent"),
    (LIMITS + "resistor_u_ohm = 3", "needs either"),
    (LIMITS.replace("bridge_within_percent = 0.3", "bridge_u_ohm = 0.3"), "needs either"),
    (LIMITS.replace("100000", "10"), "resistor_ohm"),
    (LIMITS.replace("bridge_ohm", "arm_ohm"), "arm_ohm"),
    (LIMITS.replace("bridge_ohm = 350", ""), "bridge_ohm"),
])  # fmt: skip
def test_what_is_wrong_is_named(text: str, words: str) -> None:
    with pytest.raises(PlanError, match=r"weights\.toml") as told:
        read_shunts(tomllib.loads(text), "weights.toml")
    assert words in str(told.value)


def test_the_weights_file_hands_them_out(tmp_path: Path) -> None:
    file = tmp_path / "weights.toml"
    file.write_text("[site]\nlatitude_deg = 45\nheight_m = 0\n" + LIMITS, encoding="utf-8")
    inventory = read_inventory(file)
    assert inventory.shunt("100 kilohm").resistor_ohm == 100_000.0
    with pytest.raises(PlanError, match="no shunt '59 kilohm'"):
        inventory.shunt("59 kilohm")
