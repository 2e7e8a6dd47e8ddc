"""Vibration of the handle from records that are known to the last sample."""

from __future__ import annotations

import math

import numpy as np
import pytest

from anviltrace.trace.aside import Aside
from anviltrace.trace.vibration import (
    LEAST_RATE_HZ,
    is_shifted,
    kicks,
    limited_axis,
    offset_shift,
    rms_of,
    total_value,
    turns,
    weighted,
    weighted_axis,
    weighting,
)

RATE_HZ = 10_000.0


def record(values: np.ndarray, rate_hz: float = RATE_HZ, start_s: float = 0.0) -> Aside:
    marks = np.zeros(len(values), dtype=np.bool_)
    return Aside(values, rate_hz, start_s, marks, marks)


def times(seconds: float) -> np.ndarray:
    return np.arange(round(seconds * RATE_HZ)) / RATE_HZ


@pytest.mark.parametrize("frequency_hz", [16.0, 80.0, 800.0])
def test_rms_of_a_sine_is_its_amplitude_over_root_two_times_the_factor(frequency_hz: float):
    wave = 12.0 * np.sin(2.0 * np.pi * frequency_hz * times(3.0)) + 9.81
    expected = 12.0 / math.sqrt(2.0) * abs(weighting(frequency_hz))
    assert rms_of(weighted_axis(record(wave)), 1.0, 2.5) == pytest.approx(expected, rel=1e-3)


def test_three_axes_add_in_squares():
    assert total_value([3.0, 4.0, 12.0]) == pytest.approx(13.0)


def test_gravity_and_an_offset_do_not_count():
    assert np.abs(weighted(np.full(5000, 9.81), RATE_HZ)).max() < 1e-9


def test_a_record_that_begins_and_ends_anywhere_rings_into_neither_side():
    wave = np.zeros(20_000)
    wave[8000:8010], wave[8010:8020] = 1000.0, -1000.0
    answer = weighted(wave, RATE_HZ)
    assert np.abs(answer[:7900]).max() < 2e-4 * np.abs(answer).max()
    assert np.abs(answer[-2000:]).max() < 2e-4 * np.abs(answer).max()


def test_too_slow_a_record_is_refused():
    with pytest.raises(ValueError, match="3000 samples/s are too few for a band up to 1250 Hz"):
        weighted(np.ones(100), 3000.0)
    assert pytest.approx(3037, abs=0.5) == LEAST_RATE_HZ


def test_a_zero_that_jumps_is_told_from_a_tool_that_is_turned_over():
    still = 9.8 + 0.1 * np.sin(2.0 * np.pi * 50.0 * times(3.0))
    turned = np.where(times(3.0) < 1.5, still, still - 2 * 9.8)
    jumped = np.where(times(3.0) < 1.5, still, still + 60.0 * np.exp(-(times(3.0) - 1.5) / 0.5))
    shifts = [offset_shift(record(one), 1.0, 1.0, 3.0) for one in (still, turned, jumped)]
    assert [is_shifted(one) for one in shifts] == [False, False, True]
    assert shifts[1] == pytest.approx(19.6, abs=0.1)


def test_kicks_of_a_handle_that_is_pushed_at_every_blow():
    """Half a sine of 200 m/s² and 10 ms at each blow changes the velocity by 2·A·w/π, then it goes back."""
    at, blows_s = times(2.0), np.arange(0.2, 1.81, 0.1)
    push = np.zeros_like(at)
    for blow_s in blows_s:
        into = at - blow_s
        push += np.where((into >= 0) & (into < 0.01), 200.0 * np.sin(np.pi * into / 0.01), 0.0)
        push -= np.where((into >= 0.05) & (into < 0.06), 200.0 * np.sin(np.pi * (into - 0.05) / 0.01), 0.0)
    axes = [record(0.6 * push + 9.81), record(0.8 * push), record(np.zeros_like(push))]
    found = kicks(axes, [limited_axis(axis) for axis in axes], blows_s)
    assert found.swing_m_per_s == pytest.approx(np.full(len(blows_s) - 1, 2 * 200.0 * 0.01 / np.pi), rel=0.01)
    assert found.peak_m_per_s2 == pytest.approx(np.full(len(blows_s) - 1, 200.0), rel=0.25)


def test_an_interval_with_missing_samples_is_left_out():
    at, blows_s = times(1.0), np.arange(0.1, 0.91, 0.1)
    missing = (at > 0.42) & (at < 0.43)
    values = np.where(missing, 500.0, np.sin(2.0 * np.pi * 60.0 * at))
    axis = Aside(values, RATE_HZ, 0.0, missing, np.zeros_like(missing))
    found = kicks([axis, axis, axis], [limited_axis(axis)] * 3, blows_s)
    assert len(found.peak_m_per_s2) == len(turns(axis, blows_s)) == len(blows_s) - 2
    assert found.peak_m_per_s2.max() < 3.0


def test_turns_of_a_handle_that_swings_sinusoidally():
    """A rate of w·a·sin(wt) from its zero turns the handle by 2a within a period."""
    angle, blows_s = 0.05, np.arange(0.0, 1.01, 0.1)
    w = 2.0 * np.pi / 0.1
    found = turns(record(angle * w * np.sin(w * times(1.2)) + 0.01), blows_s)
    assert found == pytest.approx(np.full(10, 2.0 * angle), rel=0.01)
