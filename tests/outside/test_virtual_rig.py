"""Transducer, lever and converter of the virtual rig against tables and data sheets."""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np
import pytest
from scipy.optimize import brentq

from anviltrace.virtual.frontend import SincFilter
from anviltrace.virtual.lever import lever_torque_nm
from anviltrace.virtual.rig import Resonator

INNER_HZ, FRONT_HZ = 240_000.0, 30_000.0


def _published(root: Path, name: str) -> list[dict[str, float]]:
    lines = (root / "fixtures/published" / name).read_text(encoding="utf-8").splitlines()
    rows = csv.DictReader(line for line in lines if not line.startswith("#"))
    return [{key: float(value) for key, value in row.items()} for row in rows]


def test_resonance_under_a_half_sine(root: Path):
    """fixtures/published/half_sine_response.csv: largest, residual and deepest response of each row."""
    rows = _published(root, "half_sine_response.csv")
    assert len(rows) == 18
    width_s, step_s = 1.0, 1.0 / 8000.0
    times = step_s * np.arange(round(12.0 / step_s))
    push = np.where(times < width_s, np.sin(np.pi * times / width_s), 0.0)
    for row in rows:
        shaft = Resonator(row["fn_times_w"] / width_s, row["zeta"], step_s).respond(push)
        assert shaft.max() == pytest.approx(row["maximax"], abs=2e-4)
        assert shaft[times <= width_s].max() == pytest.approx(row["primary_max"], abs=2e-4)
        assert shaft[times >= width_s - 0.5 * step_s].max() == pytest.approx(row["residual_max"], abs=2e-4)
        assert shaft[times >= width_s - 0.5 * step_s].min() == pytest.approx(row["post_min"], abs=2e-4)


def test_largest_undamped_resonance_is_the_textbook_one():
    """Shock response spectrum of half a sine: 1.77 near 0.8 periods to its width (from memory)."""
    step_s = 1.0 / 2000.0
    times = step_s * np.arange(6000)
    push = np.where(times < 1.0, np.sin(np.pi * times), 0.0)
    periods = np.arange(0.5, 1.5, 0.01)
    largest = [Resonator(natural_hz, 1e-6, step_s).respond(push).max() for natural_hz in periods.tolist()]
    assert max(largest) == pytest.approx(1.77, abs=0.005)
    assert periods[np.argmax(largest)] == pytest.approx(0.81, abs=0.02)


def test_resonance_keeps_the_impulse_over_the_whole_ring():
    step_s = 1.0 / 20_000.0
    times = step_s * np.arange(40_000)
    push = np.where(times < 1e-3, np.sin(np.pi * times / 1e-3), 0.0)
    shaft = Resonator(900.0, 0.05, step_s).respond(push)
    assert shaft.sum() == pytest.approx(push.sum(), rel=1e-9)


def test_resonance_of_900_hz_still_rings_after_a_blow_interval():
    """exp(-zeta·w·t): 24 % of the ring is left after 25 ms at 900 Hz and a damping of 0.01."""
    step_s = 1.0 / 100_000.0
    bell = Resonator(900.0, 0.01, step_s)
    bell.settle(1.0)
    ring = np.abs(bell.respond(np.zeros(5000)))
    late = ring[2450:2560].max()
    assert late / ring[:60].max() == pytest.approx(0.24, abs=0.01)


def test_lever_torque(root: Path):
    """fixtures/published/deadweight_torque_examples.csv, all rows."""
    rows = _published(root, "deadweight_torque_examples.csv")
    assert len(rows) == 10
    for row in rows:
        torque = lever_torque_nm(
            row["m_kg"], row["g"], row["rho_air"], row["rho_mass"], row["L_m"], row["theta_deg"]
        )
        assert torque == pytest.approx(row["T_Nm"], rel=1e-12)


@pytest.mark.parametrize(("averaged", "corner_hz"), [(1, 6106), (2, 4807), (4, 3003), (8, 1615)])
def test_corner_of_the_ads1256(averaged: int, corner_hz: float):
    """-3 dB frequencies in the ADS1256 data sheet's table of filter characteristics, to 0.3 %."""
    first = SincFilter(5, 8)

    def over_corner(frequency_hz: float) -> float:
        turns = np.arange(averaged) * frequency_hz / FRONT_HZ
        mean = abs(np.mean(np.exp(-2j * np.pi * turns)))
        return first.magnitude(frequency_hz, INNER_HZ) * mean - np.sqrt(0.5)

    assert brentq(over_corner, 10.0, 8000.0) == pytest.approx(corner_hz, rel=0.003)


@pytest.mark.parametrize(("rate_hz", "settling_ms"), [(10, 400), (80, 50)])
def test_settling_of_the_hx711(rate_hz: int, settling_ms: float):
    """HX711 data sheet: the output settles in 400 ms at 10 S/s and 50 ms at 80 S/s."""
    decimation = 48_000 // rate_hz
    answer = SincFilter(4, decimation).push(np.ones(8 * decimation))
    settled = int(np.argmax(np.abs(answer - 1.0) < 1e-9))
    assert 1000.0 * (settled + 1) / rate_hz == pytest.approx(settling_ms)
    assert np.all(answer[:settled] < 0.999)


@pytest.mark.parametrize(("averaged", "worst_loss"), [(4, 0.030), (8, 0.113)])
def test_peak_loss_of_a_one_millisecond_pulse(averaged: int, worst_loss: float):
    """Computed independently with a sinc5 model: 3.0 % worst at 7.5 kS/s, 11.3 % at 3.75 kS/s."""
    losses = []
    period = 8 * averaged
    for shift in range(period):
        times = (np.arange(period * 60) - 800 - shift) / INNER_HZ
        pulse = np.where((times > 0) & (times < 1e-3), np.sin(np.pi * times / 1e-3), 0.0)
        values = SincFilter(5, 8).push(pulse)
        losses.append(1.0 - values.reshape(-1, averaged).mean(axis=1).max())
    assert max(losses) == pytest.approx(worst_loss, abs=0.002)


@pytest.mark.parametrize(
    ("net_nm", "width_ms", "blows_per_s", "excess"), [(200.0, 0.7, 50.0, 0.045), (300.0, 1.5, 30.0, 0.086)]
)
def test_hx711_reads_a_share_of_the_blows(net_nm: float, width_ms: float, blows_per_s: float, excess: float):
    """It reads the level plus (2/pi)·net·width·rate: +4.5 and +8.6 % of 100 N·m here."""
    inner_hz = 48_000.0
    since_blow = np.mod(np.arange(48_000 * 5) / inner_hz, 1.0 / blows_per_s)
    width_s = 1e-3 * width_ms
    blows = np.where(since_blow < width_s, net_nm * np.sin(np.pi * since_blow / width_s), 0.0)
    readings = SincFilter(4, 600).push(100.0 + blows)[4:]
    assert readings.mean() / 100.0 - 1.0 == pytest.approx(excess, abs=0.002)
