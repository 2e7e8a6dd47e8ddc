from __future__ import annotations

import json

import numpy as np
import pytest

from anviltrace.records import RigKind, Rotation
from anviltrace.virtual.drive import Blow, Joint
from anviltrace.virtual.truth import BlowTruth, Truth
from anviltrace.virtual.wrench import loosening_pulse

JOINT = Joint(kind=RigKind.HELD, blow_stiffness_nm_per_rad=8000.0)
BLOW = Blow(
    start_s=1.5,
    energy_j=10.0,
    supply_v=18.0,
    rotation=Rotation.CCW,
    pulse=loosening_pulse(1e-3, 400.0, 100.0, 80.0, 0.9),
    retained_before_nm=100.0,
    retained_after_nm=80.0,
)


def test_an_event_has_the_number_of_the_first_value_to_show_it():
    truth = Truth(JOINT)
    truth.happened("drive", 1.0, 300.4, tool="Ostrelby")
    truth.happened("release", 2.0, 600.0)
    assert [event.front_index for event in truth.events] == [301, 600]
    assert truth.events[0].details == {"tool": "Ostrelby"}


def test_blows_come_as_columns():
    truth = Truth(JOINT)
    for _ in range(3):
        truth.struck(BLOW, 45_000.5)
    columns = truth.blow_columns()
    np.testing.assert_array_equal(columns["peak_nm"], [-210.0] * 3)
    assert columns["missed"].dtype == bool
    assert set(columns) == set(BlowTruth.__dataclass_fields__)


def test_no_blows_give_empty_columns():
    assert all(column.size == 0 for column in Truth(JOINT).blow_columns().values())


def test_goes_through_json():
    truth = Truth(JOINT)
    truth.happened("hang", 1.0, 3.0, mass="plate A", torque_nm=78.5)
    truth.struck(BLOW, 45_000.5)
    back = json.loads(json.dumps(truth.as_dict()))
    assert back["events"][0]["details"]["torque_nm"] == pytest.approx(78.5)
    assert back["blows"][0]["front_index"] == 45_000.5


def test_torques_are_clockwise_positive_whatever_the_rotation():
    truth = Truth(JOINT)
    truth.struck(BLOW, 45_000.5)
    (blow,) = truth.blows
    assert blow.applied_nm == -400.0
    assert blow.retained_before_nm == 100.0
    assert blow.impulse_nms == pytest.approx(-float(BLOW.pulse.impulse_nms))
    assert blow.apex_s == pytest.approx(1.5005)
