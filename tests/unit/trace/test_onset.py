from __future__ import annotations

import math

import numpy as np

from anviltrace.trace.onset import onset_s

RATE_HZ = 80.0
QUIET = np.random.default_rng(1).standard_normal(160)


def _rising(index: int, height: float, count: int = 160) -> np.ndarray:
    return np.where(np.arange(count) >= index, height, 0.0)


def test_the_first_sample_of_the_rise_on_either_side():
    values = 500.0 + QUIET + _rising(80, 60.0)
    assert onset_s(values, RATE_HZ, 500.0, 1.0) == 80 / RATE_HZ
    assert onset_s(-values, RATE_HZ, -500.0, 1.0, rotation=-1, first_index=800) == 880 / RATE_HZ


def test_a_single_knock_is_passed_over():
    knock = np.zeros(160)
    knock[40] = 300.0
    assert onset_s(QUIET + knock + _rising(80, 60.0), RATE_HZ, 0.0, 1.0) == 80 / RATE_HZ


def test_it_begins_where_the_noise_is_left():
    slope = 2.0 * np.maximum(0.0, np.arange(160) - 80.0)
    assert onset_s(slope, RATE_HZ, 0.0, 1.0) == 81 / RATE_HZ


def test_none_where_nothing_happens_or_it_stays_below_the_floor():
    assert math.isnan(onset_s(QUIET, RATE_HZ, 0.0, 1.0))
    assert math.isnan(onset_s(QUIET + _rising(80, 60.0), RATE_HZ, 0.0, 1.0, floor=100.0))
    assert math.isnan(onset_s([], RATE_HZ, 0.0, 1.0))
