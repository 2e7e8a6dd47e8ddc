"""Lines of a push, a shunt and taps."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import published
import pytest
from readingatrest import SETTINGS
from rungtaps import tapped

from anviltrace.calibration.shunt import CANNOT_TELL, Output, ShuntResult, computed_output
from anviltrace.proof.guided import Push, judge_polarity, judge_ring, judge_shunt
from anviltrace.proof.limits import CheckLimits
from anviltrace.proof.lines import Verdict
from anviltrace.proof.sizes import sizes_of
from anviltrace.records import ScaleKind, Shunt, Spread
from anviltrace.trace.ringdown import RungTaps, combine_taps, find_taps, measure_tap

RATIO = sizes_of(SETTINGS, None, None)
"""Of an HX711 at gain 128: ±3.90625 mV/V."""
LIMITS = CheckLimits()


def test_clockwise_goes_up() -> None:
    line = judge_polarity(Push(5000.0, 9000.0, 40.0), RATIO)
    assert (line.verdict, line.advice) == (Verdict.PASS, "")
    assert "clockwise goes up" in line.reading


def test_swapped_signal_wires_fail_and_say_which() -> None:
    line = judge_polarity(Push(5000.0, 1000.0, 40.0), RATIO)
    assert line.verdict is Verdict.FAIL
    assert "DOWN" in line.reading
    assert "exchange S+ and S−" in line.advice


def test_a_push_that_moves_nothing_fails() -> None:
    line = judge_polarity(Push(5000.0, 5200.0, 40.0), RATIO)
    assert line.verdict is Verdict.FAIL
    assert "that is nothing" in line.reading


def result(resistor_ohm: float, read_mv_per_v: float, ratio: bool = True) -> ShuntResult:
    """What a reading comes to; resistor and bridge are known to 0.1 and 0.3 % (limits)."""
    shunt = Shunt(
        "shunt", "a", resistor_ohm, 0.000577 * resistor_ohm, 350.0, 0.00173 * 350.0, Spread.RECTANGULAR
    )
    computed = computed_output(shunt)
    counts = read_mv_per_v / 3.90625 * (1 << 23)
    read = Output(read_mv_per_v, 1e-6) if ratio else None
    return ShuntResult(counts, 2.0, 0.0, computed, read, None, CANNOT_TELL)


@pytest.mark.parametrize("row", published.rows("shunt_350_ohm.csv"))
def test_the_table_of_a_350_ohm_bridge_passes(row) -> None:
    line = judge_shunt(result(row["resistor_ohm"], row["mv_per_v"]), "a", RATIO, LIMITS)
    assert line.verdict is Verdict.PASS
    assert line.data["off_share"] == pytest.approx(0.0, abs=1e-5)


@pytest.mark.parametrize(
    ("off", "verdict"),
    [(0.003, Verdict.PASS), (-0.003, Verdict.PASS), (0.01, Verdict.LOOK), (-0.05, Verdict.FAIL)],
)
def test_a_shunt_that_reads_otherwise(off: float, verdict: Verdict) -> None:
    """0.3 % is within what 0.5 Ω of lead each way do to 350 Ω."""
    assert judge_shunt(result(100_000.0, 0.87347 * (1.0 + off)), "a", RATIO, LIMITS).verdict is verdict


def test_another_resistor_of_the_table_fails() -> None:
    line = judge_shunt(result(100_000.0, 1.47866), "a", RATIO, LIMITS)
    assert line.verdict is Verdict.FAIL
    assert "+69.29 ±" in line.reading


@pytest.mark.parametrize(("off", "verdict"), [(0.03, Verdict.PASS), (0.1, Verdict.LOOK), (0.5, Verdict.FAIL)])
def test_by_a_nominal_excitation_the_limits_are_ten_times_as_wide(off: float, verdict: Verdict) -> None:
    volts = replace(
        SETTINGS,
        scale_kind=ScaleKind.VOLTAGE, full_scale=0.01953125, excitation_v=5.0, excitation_source="nominal",
    )  # fmt: skip
    made = result(100_000.0, 0.87347 * (1.0 + off), ratio=False)
    line = judge_shunt(made, "a", sizes_of(volts, None, None), LIMITS)
    assert line.verdict is verdict
    assert "by a nominal excitation of 5 V" in line.reading


def test_without_an_excitation_nothing_is_compared() -> None:
    volts = replace(SETTINGS, scale_kind=ScaleKind.VOLTAGE, full_scale=0.02, excitation_source="unknown")
    line = judge_shunt(result(100_000.0, 0.87, ratio=False), "a", sizes_of(volts, None, None), LIMITS)
    assert line.verdict is Verdict.LOOK
    assert "computed 0.87347 mV/V" in line.reading


def rung(natural_hz: float) -> RungTaps:
    signal = tapped(natural_hz, 0.02, taps=5)
    quiet = signal[:14_000]
    level, sd = float(np.median(quiet)), float(np.std(quiet))
    taps = [measure_tap(signal[tap], 30_000.0, sd) for tap in find_taps(signal, 30_000.0, level, sd)]
    found = combine_taps(taps)
    assert isinstance(found, RungTaps), found
    return found


def test_a_stiff_rig_passes() -> None:
    ring, damping = judge_ring(rung(2500.0), [], 30_000.0, LIMITS)
    assert (ring.verdict, damping.verdict) == (Verdict.PASS, Verdict.PASS)
    assert ring.data["natural_hz"] == pytest.approx(2500.0, rel=1e-3)
    assert "peaks of blows from 0.6 ms" in ring.reading  # 1.5 swings
    assert damping.data["damping_ratio"] == pytest.approx(0.02, rel=0.02)


def test_a_soft_rig_wants_a_look() -> None:
    ring, _ = judge_ring(rung(600.0), [], 30_000.0, LIMITS)
    assert ring.verdict is Verdict.LOOK
    assert "below 2.5 ms are withheld" in ring.advice


def test_doubts_want_a_look() -> None:
    ring, damping = judge_ring(rung(2500.0), ["the taps differ much"], 30_000.0, LIMITS)
    assert {ring.verdict, damping.verdict} == {Verdict.LOOK}
    assert damping.advice == "the taps differ much"


def test_no_ring_down_never_passes() -> None:
    (line,) = judge_ring("0 of 5 taps can be used", [], 2000.0, LIMITS)
    assert line.verdict is Verdict.LOOK
    assert "2000 S/s show no ring above 800 Hz" in line.advice
