"""Blows whose tops are cut off, by the converter or by what is before it."""

from __future__ import annotations

import numpy as np
import pytest
from blow_train import Train, make

from anviltrace.trace.clipping import cut_off
from anviltrace.trace.finding import find_blows

SAMPLES = 15.0


def blows(heights: list[float], samples: float = SAMPLES) -> tuple[np.ndarray, np.ndarray]:
    """Half sines in whole counts, 100 samples apart, at several phases; and where their tops are."""
    since = np.arange(-50, 50)[np.newaxis] - np.linspace(-0.4, 0.4, len(heights))[:, np.newaxis]
    pulse = np.where(np.abs(since) < 0.5 * samples, np.cos(np.pi * since / samples), 0.0)
    values = np.rint(pulse * np.array(heights)[:, np.newaxis])
    return values.ravel(), values.argmax(axis=1) + 100 * np.arange(len(heights))


def cut(values: np.ndarray, apex: np.ndarray, highest: float = 1e9, samples: float = SAMPLES) -> list[bool]:
    return cut_off(values, apex, highest, 1.0, samples).tolist()


def test_tops_at_the_converters_limit_are_cut_off():
    values, apex = blows([4000.0, 5000.0, 6000.0])
    assert cut(np.minimum(values, 4500.0), apex, 4500.0) == [False, True, True]
    assert cut(values, apex, 7000.0) == [False, False, False]


def test_several_tops_flat_at_one_value_are_cut_off_below_it():
    values, apex = blows([4000.0, 5000.0, 6000.0, 5500.0])
    low = np.minimum(values, 4500.0)
    first = [100 * k + int(low[100 * k : 100 * k + 100].argmax()) for k in range(4)]
    assert cut(low, np.array(first)) == [False, True, True, True]
    assert cut(np.minimum(values, 5800.0), apex) == [False] * 4  # one alone may be what it is


@pytest.mark.parametrize(("height", "samples"), [(20.0, 15.0), (60.0, 40.0), (100.0, 500.0 / 7.0)])
def test_round_tops_in_coarse_steps_are_not(height: float, samples: float):
    values, apex = blows([height] * 30, samples)
    assert cut(values, apex, samples=samples) == [False] * 30


def test_without_blows_there_is_nothing_to_cut():
    assert cut(np.zeros(10), np.empty(0, np.int64)) == []


def test_struck_trains_are_cut_off_with_and_without_a_known_limit():
    made = make(Train(samples=25.0), np.random.default_rng(1))
    counts = np.minimum(np.rint(1000.0 * made.torque_nm), 380_000.0)
    apex = find_blows(counts, made.rate_hz, 20.0).apex_index
    for highest in (1e9, 380_000.0):
        found = cut_off(counts, apex, highest, 1.0, 25.0)
        assert found[made.recorded_net_nm > 381.0].all()
        assert not found[made.recorded_net_nm < 379.0].any()
