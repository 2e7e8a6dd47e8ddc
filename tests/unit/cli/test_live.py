"""How a reading is shown beside the bench: torque where a line covers it, else the best unit there is."""

from __future__ import annotations

from dataclasses import replace

import pytest
from workshop import workshop

from anviltrace.calibration.line import Line
from anviltrace.cli.live import Scale
from anviltrace.records import ScaleKind
from anviltrace.units import TorqueUnit

SETTINGS = workshop().settings


def line(sign: int, counts_per_nm: float) -> Line:
    return Line("", sign, counts_per_nm, 1e-3, 10.0, 0.1, 0.1, 20.0, 100.0, 1e-6, 200.0)


def test_torque_takes_the_line_of_its_sign() -> None:
    scale = Scale(SETTINGS, [line(1, 1000.0), line(-1, 1010.0)])
    assert scale.text(55_000.0, 5_000.0) == "+50.0 N·m"
    assert scale.text(-45_500.0, 5_000.0) == "-50.0 N·m"


def test_a_bridge_wired_the_other_way_round_shows_the_right_sign() -> None:
    scale = Scale(SETTINGS, [line(1, -1000.0), line(-1, -1010.0)])
    assert scale.text(-50_000.0, 0.0) == "+50.0 N·m"


def test_lbf_ft_on_request() -> None:
    # 1 lbf·ft = 1.3558179483314004 N·m (exact): 100 N·m are 73.756... lbf·ft
    assert Scale(SETTINGS, [line(1, 1000.0)], TorqueUnit.LBF_FT).text(1e5, 0.0) == "+73.8 lbf·ft"


@pytest.mark.parametrize(
    ("counts", "zero"),
    [(300_000.0, 0.0), (-50_000.0, 0.0), (50_000.0, None)],
    ids=["above the limit of the line", "no line for this sign", "no zero yet"],
)
def test_without_a_line_the_reading_stays_electrical(counts: float, zero: float | None) -> None:
    assert Scale(SETTINGS, [line(1, 1000.0)]).text(counts, zero).endswith(" mV/V")


def test_the_best_unit_known_without_a_calibration() -> None:
    nominal = replace(SETTINGS, excitation_source="nominal")
    ratio = replace(SETTINGS, scale_kind=ScaleKind.RATIO, full_scale=2.0, full_scale_code=1 << 23)
    assert Scale(ratio).text(float(1 << 22), 0.0) == "+1.0000 mV/V"
    assert Scale(nominal).text(8_388_607.0, 0.0) == "+78.1250 mV"
    assert Scale(nominal).text(None, 0.0) == "–"
