"""From times to an even grid, with what is missing."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from anviltrace.errors import PlanError
from anviltrace.exchange.timeaxis import check_rate, from_times


@given(
    rate_hz=st.floats(50.0, 1e6),
    start_s=st.floats(-10.0, 10.0),
    missing=st.sets(st.integers(1, 398), max_size=100),
    seed=st.integers(0, 1000),
)
def test_the_grid_is_found_whatever_is_missing(rate_hz: float, start_s: float, missing: set[int], seed: int):
    """Times jitter by up to a twentieth of the interval and are told in full."""
    index = np.array([n for n in range(400) if n not in missing])
    jitter = np.random.default_rng(seed).uniform(-0.05, 0.05, len(index))
    axis = from_times(start_s + (index + jitter) / rate_hz, "file")
    assert axis.index.tolist() == index.tolist()
    assert axis.rate_hz == pytest.approx(rate_hz, rel=1e-3)


def test_digits_that_are_cut_off_do_not_shift_the_rate():
    times_s = np.round(np.arange(20_000) / 7500.0, 6)
    axis = from_times(times_s, "file")
    assert axis.rate_hz == pytest.approx(7500.0, rel=1e-7)
    assert axis.index[-1] == 19_999


def test_too_few_digits_are_told():
    with pytest.raises(
        PlanError, match=r"samples 1 and 2 have the same time, 0 s: its digits may be too few"
    ):
        from_times(np.round(np.arange(100) / 7500.0, 3), "file")


def test_uneven_sampling_is_refused():
    with pytest.raises(PlanError, match=r"not sampled evenly: .*limit 0\.25\): resample"):
        from_times(np.cumsum(np.random.default_rng(1).uniform(0.5, 1.5, 100)), "file")


def test_two_samples_show_no_rate():
    with pytest.raises(PlanError, match="holds 2 samples: 3 are the least"):
        from_times(np.array([0.0, 1.0]), "file")


def test_a_stated_rate_must_be_that_of_the_times():
    axis = from_times(np.arange(10) / 1000.0, "file")
    check_rate(axis, 1000.5, "file")
    with pytest.raises(PlanError, match="has 1000 samples/s by its times, not 7500 as stated"):
        check_rate(axis, 7500.0, "file")


def test_a_time_that_jumps_back_is_named():
    with pytest.raises(PlanError, match=r"jumps back from 3 s at sample 4 to 1 s at the next"):
        from_times(np.array([0.0, 1.0, 2.0, 3.0, 1.0, 2.0]), "file")


def test_a_time_that_is_missing_is_named():
    with pytest.raises(PlanError, match="sample 3 has no time"):
        from_times(np.array([0.0, 1.0, np.nan, 3.0]), "file")


def test_records_far_apart_are_several():
    times_s = np.concatenate((np.arange(100), 900 + np.arange(100)))
    with pytest.raises(PlanError, match=r"holds 200 of 1000 samples .* from 99 to 900 s: bring in each part"):
        from_times(times_s * 1.0, "file")
    assert from_times(np.concatenate((np.arange(100), 400.0 + np.arange(100))), "file").index[-1] == 499
