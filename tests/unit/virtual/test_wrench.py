from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from anviltrace.virtual import wrench
from anviltrace.virtual.wrench import Friction

STIFFNESS = 8000.0
WIDTH_S = 1.1e-3
JOINT = Friction(hold_ratio=1.5, rate_nm_per_rad=120.0, efficiency=0.5)
LOOSE = Friction(hold_ratio=0.85, rate_nm_per_rad=120.0, efficiency=0.35)

energies = st.floats(0.1, 100.0)
levels = st.floats(0.0, 1000.0)


@given(energies, levels)
def test_tightening_never_lowers_nor_exceeds_what_the_blow_can_hold(energy, level):
    after = float(wrench.tightened_nm(level, energy, STIFFNESS, JOINT))
    end = float(wrench.peak_torque_nm(energy, STIFFNESS)) / JOINT.hold_ratio
    assert level <= after + 1e-9
    assert after <= max(level, end) + 1e-9


@given(energies, levels)
def test_loosening_moves_only_above_the_hold_and_never_past_zero(energy, level):
    peak = float(wrench.peak_torque_nm(energy, STIFFNESS))
    after = float(wrench.loosened_nm(level, energy, STIFFNESS, LOOSE))
    assert 0.0 <= after <= level
    if peak < LOOSE.hold_ratio * level * (1.0 - 1e-9):
        assert after == level


@given(energies, levels)
def test_pulses_are_continuous_at_the_apex(energy, level):
    peak = wrench.peak_torque_nm(energy, STIFFNESS)
    tight = wrench.tightening_pulse(
        WIDTH_S, peak, level, wrench.tightened_nm(level, energy, STIFFNESS, JOINT)
    )
    freed = wrench.loosened_nm(level, energy, STIFFNESS, LOOSE)
    loose = wrench.loosening_pulse(WIDTH_S, peak, level, freed, LOOSE.hold_ratio)
    around = WIDTH_S * np.array([0.5 - 1e-9, 0.5 + 1e-9])
    for pulse in (tight, loose):
        before, after = pulse.torque_nm(around)
        assert after == pytest.approx(before, abs=1e-6 * (1.0 + level))
        assert float(pulse.apex_nm) == pytest.approx(before, abs=1e-6 * (1.0 + level))


def test_loosening_starts_at_the_level_and_ends_free():
    levels = wrench.climb_nm(np.full(400, 10.0), STIFFNESS, LOOSE, retained_nm=260.0, loosening=True)
    assert levels[0] < 260.0
    assert np.all(np.diff(levels) <= 0.0)
    assert levels[-1] == 0.0


def test_loosening_pulse_goes_against_the_level():
    pulse = wrench.loosening_pulse(WIDTH_S, 400.0, 200.0, 190.0, 0.85)
    assert pulse.torque_nm(0.0) == -200.0
    assert pulse.torque_nm(0.5 * WIDTH_S) == pytest.approx(400.0 - 1.85 * 200.0)
    assert pulse.torque_nm(WIDTH_S) == -190.0
    assert pulse.impulse_nms > 0.0


def test_a_weak_blow_changes_nothing_and_is_not_seen():
    assert wrench.tightened_nm(300.0, 10.0, STIFFNESS, JOINT) == 300.0
    pulse = wrench.tightening_pulse(WIDTH_S, 250.0, 300.0, 300.0)
    assert np.all(pulse.torque_nm(np.linspace(0.0, WIDTH_S, 50)) == 300.0)
    assert pulse.impulse_nms == 0.0


def test_a_missed_blow_leaves_no_trace():
    pulse = wrench.applied_pulse(WIDTH_S, 0.0)
    assert pulse.impulse_nms == 0.0
    assert pulse.apex_nm == 0.0


def test_a_grid_of_cases_climbs_at_once():
    stiffness = np.array([4000.0, 8000.0, 16_000.0])
    grid = wrench.climb_nm(np.full(200, 10.0), stiffness, JOINT)
    assert grid.shape == (200, 3)
    for column, single in enumerate(stiffness):
        np.testing.assert_array_equal(grid[:, column], wrench.climb_nm(np.full(200, 10.0), single, JOINT))


def test_no_blows_give_an_empty_climb():
    assert wrench.climb_nm(np.empty(0), STIFFNESS, JOINT).shape == (0,)


def test_a_stiffer_path_keeps_the_impulse_and_raises_the_peak():
    soft = wrench.applied_pulse(wrench.blow_width_s(1e-3, 8000.0), wrench.peak_torque_nm(10.0, 8000.0))
    stiff = wrench.applied_pulse(wrench.blow_width_s(1e-3, 32_000.0), wrench.peak_torque_nm(10.0, 32_000.0))
    assert stiff.peak_nm == pytest.approx(2.0 * soft.peak_nm)
    assert stiff.impulse_nms == pytest.approx(soft.impulse_nms)
