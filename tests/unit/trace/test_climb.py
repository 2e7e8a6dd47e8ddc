from __future__ import annotations

import math

import numpy as np
import pytest
from blow_train import Train, make
from hypothesis import given
from hypothesis import strategies as st

from anviltrace.trace.blows import find_blows, joined, measure_blows
from anviltrace.trace.climb import at_marks, peaks, retained


def _measured(**made_from):
    made = make(Train(**made_from), np.random.default_rng(1))
    found = find_blows(made.torque_nm, made.rate_hz, 0.05)
    return made, measure_blows(made.torque_nm, made.rate_hz, found, 0.05)


def test_marks_lie_on_straight_lines_and_never_beyond_the_ends():
    values = at_marks([1.0, 2.0, 4.0], [10.0, 20.0, 0.0], [0.9, 1.0, 1.5, 3.0, 4.0, 4.1])
    np.testing.assert_allclose(values, [math.nan, 10.0, 15.0, 10.0, 0.0, math.nan])
    assert np.isnan(at_marks([], [], [1.0])).all()


@given(st.lists(st.floats(0.0, 10.0), min_size=1, max_size=20, unique=True), st.floats(-5.0, 15.0))
def test_a_mark_stays_within_what_was_measured(times, mark):
    times = sorted(times)
    value = float(at_marks(times, np.cos(times), [mark])[0])
    assert math.isnan(value) is not (times[0] <= mark <= times[-1])
    assert math.isnan(value) or min(np.cos(times)) - 1e-12 <= value <= max(np.cos(times)) + 1e-12


def test_retained_torque_climbs_as_the_joint_does():
    made, blows = _measured(kind="tightening", blows=80, natural_hz=3400.0, damping=0.05)
    times, levels = retained(blows)
    marks = made.apex_s[[5, 20, 60]] + 0.0125
    np.testing.assert_allclose(at_marks(times, levels, marks), made.level_after_nm[[5, 20, 60]], rtol=0.01)
    assert times[0] == blows.start_s[0]
    assert levels[0] == pytest.approx(0.0, abs=0.01)
    assert np.isnan(at_marks(times, levels, [blows.apex_s[-1] + 0.06]))


def test_the_envelope_of_peaks_leaves_doubles_out():
    made, _ = _measured(kind="through", blows=20)
    second = 0.5 * np.roll(made.torque_nm, 120)
    index = np.arange(second.size)
    near = np.abs(index[:, np.newaxis] - (made.apex_s[[4, 13]] + 0.006) * made.rate_hz).min(axis=1) < 40
    both = made.torque_nm + np.where(near, second, 0.0)
    found = find_blows(both, made.rate_hz, 0.05)
    times, heights = peaks(measure_blows(both, made.rate_hz, found, 0.05))
    assert len(found) == 22
    np.testing.assert_allclose(times, made.apex_s, atol=1e-4)
    assert heights.min() > 300.0


def test_no_blows_have_no_climb():
    nothing = joined([])
    assert retained(nothing)[0].size == 0
    assert peaks(nothing)[0].size == 0
