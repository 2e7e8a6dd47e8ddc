from __future__ import annotations

import dataclasses
from unittest.mock import patch

import numpy as np
import pytest
from blow_train import Train, make
from hypothesis import given, settings
from hypothesis import strategies as st

from anviltrace.trace import stretches
from anviltrace.trace.blows import Blows, find_blows, measure_blows
from anviltrace.trace.stretches import first_below, last_below, rows_of

VALUES = np.random.default_rng(1).standard_normal(500)


def _places(seed: int) -> tuple[np.ndarray, np.ndarray]:
    ends = np.sort(np.random.default_rng(seed).integers(0, VALUES.size, (2, 20)), axis=0)
    return ends[0], ends[1] + 1


@given(st.integers(0, 1000), st.floats(-3.0, 3.0), st.integers(1, 600))
@settings(max_examples=60, deadline=None)
def test_the_first_and_the_last_value_below_a_threshold_are_found_however_far(seed, threshold, usual):
    first, end = _places(seed)
    early, late = (
        seek(VALUES, first, end, np.full(20, threshold), usual) for seek in (first_below, last_below)
    )
    for begin, stop, one, other in zip(first, end, early, late, strict=True):
        below = begin + np.flatnonzero(VALUES[begin:stop] <= threshold)
        assert (one, other) == ((below[0], below[-1]) if below.size else (-1, -1))


def test_a_threshold_that_is_not_known_is_never_crossed():
    first, end = _places(1)
    assert (first_below(VALUES, first, end, np.full(20, np.nan), 8) == -1).all()


@given(st.integers(0, 1000))
@settings(max_examples=30, deadline=None)
def test_sums_and_moments_of_parts_of_rows(seed):
    first, end = _places(seed)
    rows = rows_of(VALUES, first, int((end - first).max()))
    inner = first + (end - first) // 3
    for sums, weight in ((rows.sums(inner, end), 0), (rows.moments(inner, end), 1)):
        expected = [
            VALUES[a:b] @ (np.arange(a, b) - begin) ** weight
            for begin, a, b in zip(first, inner, end, strict=True)
        ]
        np.testing.assert_allclose(sums, expected, atol=1e-9)
    assert rows.sums(end, end).tolist() == [0.0] * 20
    part = rows.part(inner, end)
    assert part.shape[1] == (end - inner).max()
    for row, a, b in zip(part, inner, end, strict=True):
        np.testing.assert_array_equal(row[: b - a], VALUES[a:b])


def test_beyond_its_ends_a_record_goes_on_as_it_ended():
    rows = rows_of(VALUES, np.array([-2, 498]), 4).values
    np.testing.assert_array_equal(rows[0], VALUES[[0, 0, 0, 1]])
    np.testing.assert_array_equal(rows[1], VALUES[[498, 499, 499, 499]])
    assert rows_of(VALUES[:2], np.array([0]), 5).values.shape == (1, 5)


@pytest.mark.parametrize("natural_hz", [0.0, 900.0])
def test_how_many_blows_are_measured_at_once_changes_nothing(natural_hz):
    made = make(
        Train(kind="tightening", natural_hz=natural_hz, damping=0.01, blows=15), np.random.default_rng(1)
    )
    found = find_blows(made.torque_nm, made.rate_hz, 0.02)
    together = measure_blows(made.torque_nm, made.rate_hz, found, 0.02)
    with patch.object(stretches, "MOST_AT_ONCE", 1):
        each = measure_blows(made.torque_nm, made.rate_hz, found, 0.02)
    for field in dataclasses.fields(Blows):
        one, other = (np.asarray(getattr(blows, field.name), np.float64) for blows in (together, each))
        np.testing.assert_allclose(one, other, rtol=1e-9, atol=1e-12, err_msg=field.name)
