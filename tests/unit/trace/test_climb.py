from __future__ import annotations

import math

import numpy as np
import pytest
from blow_train import Train, make
from hypothesis import given
from hypothesis import strategies as st

from anviltrace.trace.blows import find_blows, joined, measure_blows
from anviltrace.trace.climb import (
    at_marks,
    first_reach_s,
    levels_after,
    lower_envelope,
    peaks,
    plateau_part,
    retained,
    rising_part,
    straight_line,
    upper_envelope,
)


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


def test_a_threshold_is_reached_between_two_levels_or_not_at_all():
    times, levels = [1.0, 1.1, 1.2, 1.3], [0.0, 100.0, 90.0, 180.0]
    assert first_reach_s(times, levels, 25.0) == pytest.approx(1.025)
    assert first_reach_s(times, levels, 95.0) == pytest.approx(1.095)
    assert first_reach_s(times, levels, 0.0) == 1.0
    assert math.isnan(first_reach_s(times, levels, 180.1))
    assert math.isnan(first_reach_s([], [], 1.0))


def test_the_envelope_is_marked_where_a_blow_is_missed():
    made, blows = _measured(kind="tightening", blows=40, interval_scatter=0.0)
    quiet = np.abs(np.arange(made.torque_nm.size) / made.rate_hz - made.apex_s[20]) < 0.8e-3
    missed = np.where(quiet, made.level_before_nm[20], made.torque_nm)
    lacking = measure_blows(missed, made.rate_hz, find_blows(missed, made.rate_hz, 2.0), 2.0)
    assert (len(blows), len(lacking)) == (40, 39)
    assert not upper_envelope(blows).bridged.any()
    upper = upper_envelope(lacking)
    assert np.flatnonzero(upper.bridged).tolist() == [19]
    assert upper.bridged_at(made.apex_s[20])
    assert not upper.bridged_at(made.apex_s[18])
    lower = lower_envelope(lacking)
    assert lower.bridged_at(made.apex_s[20])
    assert not lower.bridged_at(made.apex_s[17])
    assert not lower.bridged_at(0.0)


def test_a_gap_marks_the_envelope_too():
    made, _ = _measured(kind="tightening", blows=20)
    cut = int(made.apex_s[9] * made.rate_hz) + 300
    parts = [
        measure_blows(part, made.rate_hz, find_blows(part, made.rate_hz, 0.05), 0.05, first_index=first)
        for first, part in ((0, made.torque_nm[:cut]), (cut + 900, made.torque_nm[cut + 900 :]))
    ]
    envelope = upper_envelope(joined(parts))
    assert np.count_nonzero(envelope.bridged) == 1
    assert envelope.bridged_at((cut + 450) / made.rate_hz)


def test_a_line_tells_slope_error_and_straightness():
    random = np.random.default_rng(2)
    times = np.arange(60) / 40.0
    held = 0
    for _ in range(300):
        line = straight_line(times, 250.0 + 3.0 * times + random.normal(0.0, 1.0, 60))
        held += abs(line.slope - 3.0) <= 2.0 * line.slope_se
        assert line.mean == pytest.approx(252.2, abs=1.0)
    assert held >= 278
    straight = straight_line(times, 10.0 + 4.0 * times)
    assert (straight.largest, straight.r_squared) == pytest.approx((0.0, 1.0), abs=1e-9)
    bent = straight_line(times, 10.0 + 4.0 * times**2)
    assert bent.r_squared < 0.95
    with pytest.raises(ValueError, match="4 levels make no line"):
        straight_line(times[:4], times[:4])


def test_the_rising_part_and_the_plateau():
    levels = np.array([5.0, 15.0, 50.0, 80.0, 89.0, 91.0, 95.0, 100.0])
    assert levels[rising_part(levels)].tolist() == [15.0, 50.0, 80.0, 89.0, 91.0]
    assert plateau_part(np.arange(0.0, 3.01, 0.1)).start == 20
    assert plateau_part(np.arange(0.0, 30.01, 0.1)).start == 280


def test_levels_that_were_not_read_are_left_out():
    made, blows = _measured(kind="tightening", blows=20)
    times, levels = levels_after(blows)
    np.testing.assert_allclose(levels, made.level_after_nm, atol=0.2)
    assert times.size == 20
