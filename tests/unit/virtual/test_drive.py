from __future__ import annotations

import dataclasses
import itertools

import numpy as np
import pytest

from anviltrace.records import RigKind, Rotation, Thread
from anviltrace.virtual.drive import Drive, Joint
from anviltrace.virtual.supply import Supply, SupplyState
from anviltrace.virtual.wrench import Wrench

TOOL = Wrench(
    blow_energy_j=10.0,
    hammer_inertia_kgm2=1e-3,
    blows_per_s=40.0,
    nominal_v=18.0,
    current_a=30.0,
    spin_up_s=0.2,
)
MAINS = Supply(full_v=18.0, inner_ohm=0.0)
HELD = Joint(kind=RigKind.HELD, blow_stiffness_nm_per_rad=8000.0)


def _drive(tool=TOOL, joint=HELD, supply=MAINS, rotation=Rotation.CW, retained=0.0, start=1.0, seed=5):
    return Drive(tool, joint, SupplyState(supply), rotation, retained, start, np.random.default_rng(seed))


def _blows(drive, count):
    blows = []
    while len(blows) < count and drive.next_blow is not None:
        blows.append(drive.next_blow)
        drive.advance(drive.next_blow.retained_after_nm)
    return blows


def test_first_blow_waits_for_spin_up_and_run_down():
    joint = dataclasses.replace(HELD, run_down_s=0.5)
    assert _drive(joint=joint).next_blow.start_s == pytest.approx(1.7)
    assert _drive(joint=joint, retained=50.0).next_blow.start_s == pytest.approx(1.2)


def test_blows_come_at_the_rate_of_the_tool():
    starts = np.array([blow.start_s for blow in _blows(_drive(), 100)])
    np.testing.assert_allclose(np.diff(starts), 1.0 / 40.0)


def test_a_lower_voltage_slows_and_weakens_the_blows():
    blows = _blows(_drive(supply=Supply(full_v=9.0, inner_ohm=0.0)), 10)
    assert blows[1].start_s - blows[0].start_s == pytest.approx(2.0 / 40.0)
    assert blows[0].energy_j == pytest.approx(10.0 / 4.0)


def test_scatter_has_the_spread_asked_for():
    tool = dataclasses.replace(TOOL, interval_scatter=0.03, energy_scatter=0.05)
    blows = _blows(_drive(tool), 4000)
    intervals = np.diff([blow.start_s for blow in blows]) * 40.0
    energies = np.array([blow.energy_j for blow in blows]) / 10.0
    assert intervals.std() == pytest.approx(0.03, rel=0.1)
    assert energies.std() == pytest.approx(0.05, rel=0.1)
    assert intervals.mean() == pytest.approx(1.0, abs=0.003)


def test_missed_and_double_blows_come_as_often_as_asked():
    tool = dataclasses.replace(TOOL, missed_share=0.1, double_share=0.2, double_delay_s=0.005)
    blows = _blows(_drive(tool), 4000)
    regular = [blow for blow in blows if not blow.double]
    missed = [blow for blow in regular if blow.missed]
    assert len(missed) / len(regular) == pytest.approx(0.1, abs=0.02)
    assert (len(blows) - len(regular)) / (len(regular) - len(missed)) == pytest.approx(0.2, abs=0.03)
    assert all(blow.energy_j == 0.0 for blow in missed)
    for first, second in itertools.pairwise(blows):
        assert second.start_s >= first.end_s
        if second.double:
            assert second.start_s - first.start_s == pytest.approx(0.005)
            assert second.energy_j == pytest.approx(0.3 * first.energy_j)


def test_loosening_ends_free():
    drive = _drive(rotation=Rotation.CCW, retained=200.0)
    blows = _blows(drive, 5000)
    assert blows[-1].retained_after_nm == 0.0
    assert drive.silence == "spins free"


def test_loosening_a_joint_too_tight_changes_nothing():
    blows = _blows(_drive(rotation=Rotation.CCW, retained=500.0), 50)
    assert all(blow.retained_after_nm == 500.0 for blow in blows)
    assert all(blow.pulse.apex_nm == -500.0 for blow in blows)


def test_nothing_to_loosen_gives_no_blow():
    drive = _drive(rotation=Rotation.CCW)
    assert drive.next_blow is None
    assert drive.silence == "spins free"


def test_a_left_hand_thread_tightens_the_other_way():
    joint = dataclasses.replace(HELD, thread=Thread.LEFT)
    blow = _drive(joint=joint, rotation=Rotation.CCW).next_blow
    assert blow.retained_after_nm > 0.0
    assert joint.level_nm(100.0) == -100.0


def test_a_fixed_rig_keeps_nothing_in_either_direction():
    fixed = dataclasses.replace(HELD, kind=RigKind.FIXED)
    for rotation in Rotation:
        blows = _blows(_drive(joint=fixed, rotation=rotation), 20)
        assert len(blows) == 20
        assert all(blow.retained_after_nm == 0.0 for blow in blows)
        assert blows[-1].pulse.apex_nm == pytest.approx(400.0, abs=0.01)


def test_a_through_rig_shows_the_applied_pulse_while_the_joint_climbs():
    through = dataclasses.replace(HELD, kind=RigKind.THROUGH)
    blows = _blows(_drive(joint=through), 50)
    assert blows[-1].retained_after_nm > blows[0].retained_after_nm
    assert blows[-1].pulse.torque_nm(0.0) == 0.0
    assert through.level_nm(100.0) == 0.0


def test_an_empty_pack_stops_the_blows():
    drive = _drive(supply=Supply(full_v=18.0, empty_v=15.0, capacity_ah=0.01, inner_ohm=0.0))
    assert len(_blows(drive, 1000)) < 100
    assert drive.silence == "supply empty"


def test_let_go_there_is_no_next_blow():
    drive = _drive()
    drive.stop(2.0)
    assert drive.next_blow is None
