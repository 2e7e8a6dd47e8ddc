"""The blow model against tables computed by another program, an ODE solver, and hand figures."""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np
import pytest
from scipy.integrate import quad, solve_ivp

from anviltrace.virtual import wrench
from anviltrace.virtual.wrench import Friction

JOINT = Friction(hold_ratio=1.5, rate_nm_per_rad=120.0, efficiency=0.5)
ENERGY_J, INERTIA_KGM2, STIFFNESS = 10.0, 1e-3, 8000.0


@pytest.fixture(scope="module")
def cases(root: Path) -> list[dict[str, float]]:
    """The undamped rows of fixtures/published/blow_physics_cases.csv."""
    lines = (root / "fixtures/published/blow_physics_cases.csv").read_text(encoding="utf-8").splitlines()
    rows = csv.DictReader(line for line in lines if not line.startswith("#"))
    numbers = [{key: float(value) for key, value in row.items()} for row in rows]
    return [row for row in numbers if row["c_Nms_per_rad"] == 0.0]


def test_width_and_peak_of_the_tabled_blows(cases):
    assert len(cases) == 3
    for case in cases:
        energy = 0.5 * case["J_kgm2"] * case["omega0_rad_s"] ** 2
        assert energy == pytest.approx(case["energy_J"], rel=1e-9)
        width_s = wrench.blow_width_s(case["J_kgm2"], case["k_Nm_per_rad"])
        assert 1e3 * width_s == pytest.approx(case["width_ms_num"], rel=2e-5)
        peak_nm = wrench.peak_torque_nm(energy, case["k_Nm_per_rad"])
        assert peak_nm == pytest.approx(case["peak_Nm_num"], rel=2e-5)


def test_impulse_of_the_tabled_blows_turns_the_hammer_back(cases):
    for case in cases:
        width_s = wrench.blow_width_s(case["J_kgm2"], case["k_Nm_per_rad"])
        pulse = wrench.applied_pulse(width_s, wrench.peak_torque_nm(case["energy_J"], case["k_Nm_per_rad"]))
        assert 1e3 * pulse.impulse_nms == pytest.approx(case["impulse_mNms_num"], rel=2e-5)


def test_pulse_follows_a_hammer_on_a_torsion_spring():
    """Independent: J·a'' = -k·a from the anvil at speed w0, solved numerically."""
    speed = np.sqrt(2.0 * ENERGY_J / INERTIA_KGM2)
    width_s = float(wrench.blow_width_s(INERTIA_KGM2, STIFFNESS))
    times = np.linspace(0.0, width_s, 101)
    motion = solve_ivp(
        lambda _, state: [state[1], -STIFFNESS * state[0] / INERTIA_KGM2],
        (0.0, width_s), [0.0, speed], t_eval=times, rtol=1e-10, atol=1e-12,
    )  # fmt: skip
    pulse = wrench.applied_pulse(width_s, wrench.peak_torque_nm(ENERGY_J, STIFFNESS))
    np.testing.assert_allclose(pulse.torque_nm(times), STIFFNESS * motion.y[0], atol=1e-5)
    assert motion.y[1][-1] == pytest.approx(-speed, rel=1e-6)


def test_time_above_a_retained_level_agrees_with_a_spring_wound_up_beforehand():
    """A hammer that finds its spring already wound to T0 takes (2/w)·atan(√(2kE)/T0): 41 % at T0/peak 0.8."""
    peak, level = 400.0, 320.0
    energy = (peak**2 - level**2) / (2.0 * STIFFNESS)
    omega = np.sqrt(STIFFNESS / INERTIA_KGM2)
    expected_s = 2.0 / omega * np.arctan(np.sqrt(2.0 * STIFFNESS * energy) / level)
    width_s = float(wrench.blow_width_s(INERTIA_KGM2, STIFFNESS))
    times = np.linspace(0.0, width_s, 200_001)
    above = wrench.tightening_pulse(width_s, peak, level, level).torque_nm(times) > level
    assert above.mean() * width_s == pytest.approx(expected_s, rel=1e-4)
    assert expected_s / width_s == pytest.approx(0.41, abs=0.005)


def test_design_example():
    """10 J, 1e-3 kg·m², 8000 and 120 N·m/rad, s 1.5, eta 0.5, 40 blows a second (worked by hand)."""
    assert wrench.peak_torque_nm(ENERGY_J, STIFFNESS) == pytest.approx(400.0, abs=0.01)
    assert 1e3 * wrench.blow_width_s(INERTIA_KGM2, STIFFNESS) == pytest.approx(1.1, abs=0.02)
    levels = wrench.climb_nm(np.full(4000, ENERGY_J), STIFFNESS, JOINT)
    assert levels[-1] == pytest.approx(400.0 / 1.5, rel=1e-6)
    first_past = int(np.argmax(levels >= 0.95 * 400.0 / 1.5)) + 1
    assert first_past / 40.0 == pytest.approx(3.4, abs=0.05)


def test_climb_agrees_with_its_closed_form():
    """R² relaxes towards (P/s)² by the factor 1 - K·eta·s²/k_b per blow."""
    blows = np.arange(1, 301)
    share = 120.0 * 0.5 * 1.5**2 / STIFFNESS
    expected = 400.0 / 1.5 * np.sqrt(1.0 - (1.0 - share) ** blows)
    np.testing.assert_allclose(
        wrench.climb_nm(np.full(300, ENERGY_J), STIFFNESS, JOINT), expected, rtol=1e-12
    )


@pytest.mark.parametrize(("before", "after"), [(0.0, 34.6), (100.0, 120.0), (260.0, 260.0), (450.0, 450.0)])
def test_impulse_over_the_level_agrees_with_numerical_integration(before, after):
    width_s = 1.1e-3
    pulse = wrench.tightening_pulse(width_s, 400.0, before, after)
    apex_s = 0.5 * width_s
    halves = ((0.0, apex_s), (apex_s, width_s))
    torque = sum(quad(lambda t: float(pulse.torque_nm(t)), *half, limit=200)[0] for half in halves)
    assert pulse.impulse_nms == pytest.approx(torque - apex_s * (before + after), abs=1e-6)
