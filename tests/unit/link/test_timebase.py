"""Ticks to seconds, and the rate measured from them."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from anviltrace.link.timebase import measure_rate, ticks_since, unwrap

PERIOD = 1 << 30


def test_published_tick_differences(wire_vectors: list[dict[str, str]]) -> None:
    rows = [row for row in wire_vectors if row["kind"] == "ticks_diff"]
    assert len(rows) == 2
    for row in rows:
        earlier, later = (int(tick) for tick in row["input"].split(";"))
        assert ticks_since(later, earlier) == int(row["output"])
        assert np.diff(unwrap(np.array([earlier, later]))).tolist() == [int(row["output"])]


@given(
    start=st.integers(0, PERIOD - 1),
    steps=st.lists(st.integers(-(1 << 29), (1 << 29) - 1), max_size=50),
)
def test_unwrap_restores_any_steps_below_half_a_period(start: int, steps: list[int]) -> None:
    true = start + np.cumsum([0, *steps])
    np.testing.assert_array_equal(unwrap(true % PERIOD), true)


def test_unwrap_of_unsigned_ticks_and_of_nothing() -> None:
    ticks = np.array([PERIOD - 1, 1], np.uint32)
    assert unwrap(ticks).tolist() == [PERIOD - 1, PERIOD + 1]
    assert unwrap(np.empty(0, np.uint32)).tolist() == []


class TestMeasuredRate:
    def test_a_clock_that_is_off_across_a_wrap(self) -> None:
        index = np.arange(0, 900_000, 255)
        rate_hz = 7500 * 1.00123
        ticks = (np.round(index / rate_hz * 1e6).astype(np.int64) + PERIOD - 5_000_000) % PERIOD
        found = measure_rate(index, ticks)
        assert found is not None
        assert found.hz == pytest.approx(rate_hz, rel=1e-7)
        assert found.jitter_s == pytest.approx(1e-6 / np.sqrt(12), rel=0.1)  # rounding to a microsecond

    def test_standard_error_covers_the_scatter_of_repeats(self) -> None:
        rng = np.random.default_rng(5)
        index = np.arange(0, 75_000, 256)
        found = []
        for _ in range(200):
            ticks = np.round((index / 7500 + rng.normal(0, 20e-6, len(index))) * 1e6).astype(np.int64)
            rate = measure_rate(index, ticks % PERIOD)
            assert rate is not None
            found.append(rate)
        scatter = np.std([rate.hz for rate in found], ddof=1)
        assert np.mean([rate.se_hz for rate in found]) == pytest.approx(scatter, rel=0.2)
        assert np.mean([rate.jitter_s for rate in found]) == pytest.approx(20e-6, rel=0.05)

    def test_index_that_counts_through_a_loss(self) -> None:
        index = np.concatenate((np.arange(0, 5000, 100), np.arange(9000, 15_000, 100)))
        rate = measure_rate(index, (index * 100).astype(np.int64))
        assert rate is not None
        assert rate.hz == pytest.approx(10_000, rel=1e-9)

    @pytest.mark.parametrize(
        ("index", "ticks"), [([], []), ([0, 255], [0, 999]), ([0, 0, 0], [1, 2, 3]), ([0, 1, 2], [5, 5, 5])]
    )
    def test_unknown_where_it_cannot_be_told(self, index: list[int], ticks: list[int]) -> None:
        assert measure_rate(np.array(index, np.int64), np.array(ticks, np.int64)) is None
