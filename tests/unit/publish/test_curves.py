"""Curves as they are drawn: no extreme is ever lost."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from anviltrace.publish.curves import MISSING, STEPS, Curve, condense, extremes, pack, zigzag

samples = arrays(np.float64, st.integers(1, 400), elements=st.floats(-1e4, 1e4))


def curve(values: np.ndarray, rate_hz: float = 1000.0, first_s: float = -0.1) -> Curve:
    return Curve("run", np.asarray(values, dtype=np.float64), rate_hz, first_s, "N·m")


@given(samples, st.integers(1, 60))
def test_every_stretch_keeps_its_least_and_greatest_in_the_order_they_came(
    values: np.ndarray, size: int
) -> None:
    index, picked = extremes(values, size)
    assert np.array_equal(values[index], picked)
    assert np.all(np.diff(index) >= 0)
    for block, pair in enumerate(picked.reshape(-1, 2)):
        stretch = values[block * size : (block + 1) * size]
        assert (pair.min(), pair.max()) == (stretch.min(), stretch.max())


@given(samples, st.integers(4, 100))
def test_a_zigzag_shows_the_highest_peak_at_its_time(values: np.ndarray, points: int) -> None:
    made = curve(values)
    times, drawn = zigzag(made, points)
    assert len(drawn) <= points + 2
    assert drawn.max() == values.max()
    assert drawn.min() == values.min()
    shown_at = times[int(np.argmax(drawn))]
    assert values[round((shown_at - made.first_s) * made.rate_hz)] == values.max()


def test_few_samples_are_drawn_as_they_are() -> None:
    times, drawn = zigzag(curve([1.0, 5.0, 2.0]), 10)
    assert drawn.tolist() == [1.0, 5.0, 2.0]
    assert times.tolist() == pytest.approx([-0.1, -0.099, -0.098])


def test_missing_samples_leave_a_hole_and_take_no_peak_with_them() -> None:
    values = np.sin(np.arange(1000) / 7.0)
    values[300:500] = np.nan
    values[250] = 9.0
    _, drawn = zigzag(curve(values), 100)
    assert np.nanmax(drawn) == 9.0
    assert np.isnan(drawn).sum() >= 10
    assert np.isfinite(drawn[-1])


def test_a_stretch_has_a_sample_more_on_either_side() -> None:
    made = curve(np.arange(100.0))
    part = made.between(-0.05, -0.04)
    assert part.values[0] == pytest.approx(50.0, abs=1.0)
    assert part.times_s()[0] <= -0.05
    assert part.last_s >= -0.04
    assert len(made.between(5.0, 6.0).values) == 0


@given(samples, st.integers(3, 50))
def test_a_condensed_curve_keeps_every_extreme_close_to_its_place(values: np.ndarray, factor: int) -> None:
    made = curve(values)
    short = condense(made, factor)
    assert (short.values.max(), short.values.min()) == (values.max(), values.min())
    peak_s = made.times_s()[int(np.argmax(values))]
    nearest = np.abs(short.times_s()[short.values == values.max()] - peak_s).min()
    assert nearest <= factor / made.rate_hz


def test_condensing_by_one_or_two_changes_nothing() -> None:
    made = curve([1.0, 2.0])
    assert condense(made, 2) is made


@given(samples)
def test_packed_samples_are_off_by_half_a_step_at_most(values: np.ndarray) -> None:
    step, codes = pack(curve(values))
    back = np.frombuffer(codes, "<i2") * step
    assert np.all(np.abs(back - values) <= step / 2 * (1 + 1e-6))
    largest = np.abs(values).max()
    assert step == largest / STEPS or largest / STEPS == 0.0  # what is too small to divide counts as zero


def test_packed_samples_know_those_that_are_missing() -> None:
    step, codes = pack(curve([np.nan, -8.0, 8.0]))
    assert np.frombuffer(codes, "<i2").tolist() == [MISSING, -STEPS, STEPS]
    assert step == pytest.approx(8.0 / STEPS)
    assert pack(curve([np.nan, 0.0]))[0] == 1.0
