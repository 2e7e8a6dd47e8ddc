"""Quantities of the made-up torque calibration, digit by digit, against rational arithmetic."""

from __future__ import annotations

from typing import Any

import pytest
from published import values
from torque_example import torque_example

from anviltrace.calibration.quantities import Level, Quantities, find_quantities

EXPECTED = values("torque_example.toml")


@pytest.fixture(scope="module")
def found() -> Quantities:
    return find_quantities(torque_example())


@pytest.mark.parametrize(("field", "expected", "digits"), [
    ("mean_counts", EXPECTED["mean_X"], 1e-11),
    ("repeatability_percent", EXPECTED["b_rep_percent"], 1e-9),
    ("reproducibility_percent", EXPECTED["b_range_percent"], 1e-9),
    ("reproducibility_sd_percent", EXPECTED["b_sd_percent"], 1e-9),
    ("reversibility_percent", EXPECTED["h_percent"], 1e-9),
    ("cubic_percent", EXPECTED["cubic_through_zero"]["fa_percent"], 1e-7),
    ("line_percent", EXPECTED["line_through_zero"]["fa_percent"], 1e-7),
    ("line_both_percent", EXPECTED["line_through_zero_up_and_down"]["fa_percent"], 1e-7),
])  # fmt: skip
def test_each_step(found: Quantities, field: str, expected: dict[str, Any], digits: float) -> None:
    levels: dict[str, Level] = {f"{level.torque_nm:g}": level for level in found.levels}
    assert list(levels) == ["20", "40", "60", "80", "100", "120", "160", "200"]
    for torque, wanted in expected.items():
        # the printed figures of 8 or 12 digits carry half a unit of their last place
        assert getattr(levels[torque], field) == pytest.approx(wanted, rel=digits, abs=6e-10)


def test_zero_return(found: Quantities) -> None:
    for series, wanted in found.zero_return_percent.items():
        assert wanted == pytest.approx(EXPECTED["f0_percent"][f"series_{series}"], rel=1e-9)
    assert len(found.zero_return_percent) == 4


def test_worst_of_the_range(found: Quantities) -> None:
    wanted = EXPECTED["worst_percent"]
    assert found.worst_percent("repeatability_percent") == pytest.approx(wanted["b_rep"], rel=1e-7)
    assert found.worst_percent("reproducibility_percent") == pytest.approx(wanted["b"], rel=1e-7)
    assert found.worst_percent("cubic_percent") == pytest.approx(wanted["fa"], rel=1e-7)
    assert found.worst_percent("reversibility_percent") == pytest.approx(wanted["h"], rel=1e-7)
    assert found.worst_zero_return_percent == pytest.approx(wanted["f0"], rel=1e-7)
    assert not found.missing
