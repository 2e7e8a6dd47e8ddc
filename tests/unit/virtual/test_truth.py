from __future__ import annotations

import json

import numpy as np
import pytest

from anviltrace.virtual.truth import BlowTruth, Truth

BLOW = BlowTruth(
    start_s=1.5, apex_s=1.5005, front_index=45_000.5, width_s=1e-3, energy_j=10.0, applied_nm=400.0,
    peak_nm=400.0, impulse_nms=0.2, retained_before_nm=100.0, retained_after_nm=110.0, supply_v=18.0,
    rotation=1, missed=False, double=False,
)  # fmt: skip


def test_an_event_has_the_number_of_the_first_value_to_show_it():
    truth = Truth()
    truth.happened("drive", 1.0, 300.4, tool="Ostrelby")
    truth.happened("release", 2.0, 600.0)
    assert [event.front_index for event in truth.events] == [301, 600]
    assert truth.events[0].details == {"tool": "Ostrelby"}


def test_blows_come_as_columns():
    truth = Truth()
    for _ in range(3):
        truth.struck(BLOW)
    columns = truth.blow_columns()
    np.testing.assert_array_equal(columns["peak_nm"], [400.0] * 3)
    assert columns["missed"].dtype == bool
    assert set(columns) == set(BlowTruth.__dataclass_fields__)


def test_no_blows_give_empty_columns():
    assert all(column.size == 0 for column in Truth().blow_columns().values())


def test_goes_through_json():
    truth = Truth()
    truth.happened("hang", 1.0, 3.0, mass="plate A", torque_nm=78.5)
    truth.struck(BLOW)
    back = json.loads(json.dumps(truth.as_dict()))
    assert back["events"][0]["details"]["torque_nm"] == pytest.approx(78.5)
    assert back["blows"][0]["front_index"] == 45_000.5
