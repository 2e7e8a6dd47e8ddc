from __future__ import annotations

import numpy as np
import pytest

from anviltrace.virtual.lever import Arm, Mass, Site, SlowTorque, hanging_force_n, hanging_torque_nm

SITE = Site(gravity_m_per_s2=9.81, air_density_kg_per_m3=1.2, lowering_s=1.0, swing_deg=2.0)
PLATE = Mass(mass_kg=10.0, density_kg_per_m3=7850.0)
PULL_N = 10.0 * 9.81 * (1.0 - 1.2 / 7850.0)


def test_weights_add_up_on_a_level_arm():
    arm = Arm(length_m=0.8)
    assert hanging_torque_nm([PLATE, PLATE], arm, SITE) == pytest.approx(2 * PULL_N * 0.8)
    assert hanging_force_n([PLATE, PLATE], SITE) == pytest.approx(2 * PULL_N)


def test_a_sagging_arm_gives_less():
    torque = hanging_torque_nm([PLATE], Arm(length_m=1.0, angle_deg=1.0, sag_deg_per_nm=0.02), SITE)
    angle = np.radians(1.0 + 0.02 * PULL_N)
    assert torque == pytest.approx(PULL_N * np.cos(angle))


def test_a_bare_arm_has_its_own_torque():
    assert hanging_torque_nm([], Arm(length_m=1.0, own_nm=3.0), SITE) == pytest.approx(3.0)


def test_a_change_is_smooth_and_arrives():
    torque = SlowTorque(5.0)
    torque.go(25.0, at_s=2.0, within_s=1.0)
    times = np.linspace(1.0, 4.0, 3001)
    values = torque.at(times)
    assert values[0] == 5.0
    assert torque.at(np.array([2.5]))[0] == pytest.approx(15.0)
    assert np.all(values[times >= 3.0] == 25.0)
    assert np.abs(np.diff(values)).max() < 0.04
    assert torque.steady(3.0)
    assert not torque.steady(2.9)


def test_a_swing_ripples_by_the_square_of_its_angle_about_the_weight():
    torque = SlowTorque(0.0)
    torque.go(100.0, at_s=0.0, within_s=1.0)
    torque.swing(100.0, SITE)
    ripple = torque.at(np.linspace(1.0, 1.0 + 1.0 / SITE.swing_hz, 2000)) - 100.0
    assert abs(ripple.mean()) < 0.1 * ripple.max()
    assert ripple.max() == pytest.approx(100.0 * np.radians(2.0) ** 2, rel=0.4)
    late = torque.at(np.array([1000.0, 2000.0]))
    assert np.all(late == 100.0)
    assert torque.steady(1000.0)


def test_a_new_change_starts_where_the_last_one_stands():
    torque = SlowTorque(0.0)
    torque.go(10.0, at_s=0.0, within_s=1.0)
    torque.go(0.0, at_s=0.5, within_s=1.0)
    assert torque.at(np.array([0.5]))[0] == pytest.approx(5.0)
    torque.hold(7.0)
    assert torque.at(np.array([0.6]))[0] == 7.0
