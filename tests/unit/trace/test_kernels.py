"""Both makes of what takes the time when blows are found, against plain words of what they do."""

from __future__ import annotations

import dataclasses
from collections.abc import Iterator
from typing import Any
from unittest.mock import patch

import numpy as np
import pytest
from blow_train import Train, make
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from anviltrace.trace import kernels, stretches
from anviltrace.trace.blows import Blows, find_blows, measure_blows

RANDOM = np.random.default_rng(1)
FLOATS = RANDOM.standard_normal(500)
COUNTS = RANDOM.integers(-4, 5, 500, dtype=np.int32)
"""With many equal values."""
MAKES = ("numpy", "compiled")

each = settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])


@pytest.fixture(params=MAKES)
def made(request: pytest.FixtureRequest) -> Iterator[None]:
    """One make in use."""
    if request.param == "compiled" and not kernels.compile_them():
        pytest.skip("Numba is not installed: pip install 'anviltrace[fast]'")
    yield
    kernels.use_numpy()


def _places(seed: int, least: int = 1) -> tuple[np.ndarray, np.ndarray]:
    """20 stretches of 500 values; each holds ``least`` at least."""
    ends = np.sort(np.random.default_rng(seed).integers(0, 501 - least, (2, 20)), axis=0)
    return ends[0], ends[1] + least


def _each(values: np.ndarray, first: np.ndarray, end: np.ndarray, step: int = 1) -> list[np.ndarray]:
    return [values[a:b:step].astype(np.float64) for a, b in zip(first, end, strict=True)]


values_of = pytest.mark.parametrize("values", [FLOATS, COUNTS], ids=["floats", "counts"])


@pytest.mark.usefixtures("made")
@values_of
@given(seed=st.integers(0, 1000), step=st.integers(1, 7))
@each
def test_medians_and_powers_of_stretches(values, seed, step):
    first, end = _places(seed)
    parts = _each(values, first, end, step)
    levels = kernels.medians_of(values, first, end, step)
    np.testing.assert_array_equal(levels, [np.median(part) for part in parts])
    expected = [np.mean((part - level) ** 2) for part, level in zip(parts, levels, strict=True)]
    np.testing.assert_allclose(kernels.power_of(values, first, end, levels, step), expected, atol=1e-12)


@pytest.mark.usefixtures("made")
@given(st.lists(st.sampled_from([-1e300, -2.0, 0.0, 1e-300, 1.0, 1e300]), min_size=1, max_size=60))
@each
def test_medians_of_values_of_every_size(values):
    stretch = np.array(values)
    whole = kernels.medians_of(stretch, np.array([0]), np.array([stretch.size]))
    assert whole[0] == np.median(stretch)


@pytest.mark.usefixtures("made")
@values_of
@given(seed=st.integers(0, 1000))
@each
def test_extremes_of_stretches(values, seed):
    first, end = _places(seed)
    parts = _each(values, first, end)
    low, high = kernels.extremes_of(values, first, end)
    np.testing.assert_array_equal(low, [part.min() for part in parts])
    np.testing.assert_array_equal(high, [part.max() for part in parts])
    largest = first + [int(part.argmax()) for part in parts]
    np.testing.assert_array_equal(kernels.largest_of(values, first, end), largest)


@pytest.mark.usefixtures("made")
@values_of
@given(seed=st.integers(0, 1000))
@each
def test_sums_and_moments_of_stretches(values, seed):
    first, end = _places(seed, least=0)
    parts = _each(values, first, end)
    sums, moments = kernels.sums_of(values, first, end)
    np.testing.assert_allclose(sums, [part.sum() for part in parts], atol=1e-9)
    np.testing.assert_allclose(moments, [part @ np.arange(part.size) for part in parts], atol=1e-9)


@pytest.mark.usefixtures("made")
@values_of
@given(seed=st.integers(0, 1000), slope=st.floats(-0.1, 0.1), least=st.floats(0.0, 3.0))
@each
def test_the_last_value_away_from_a_line(values, seed, slope, least):
    first, end = _places(seed)
    level = np.linspace(-1.0, 1.0, 20)
    found = kernels.last_beyond(values, first, end, level, np.full(20, slope), np.full(20, least))
    for place, a, part, start in zip(found, first, _each(values, first, end), level, strict=True):
        beyond = np.flatnonzero(np.abs(part - (slope * np.arange(part.size) + start)) > least)
        assert place == (a + beyond[-1] if beyond.size else -1)


@pytest.mark.usefixtures("made")
@values_of
@given(seed=st.integers(0, 1000), threshold=st.floats(-3.0, 3.0), usual=st.integers(1, 600))
@each
def test_a_threshold_is_crossed_between_two_values_however_far(values, seed, threshold, usual):
    first, end = _places(seed, least=0)
    line = np.full(20, threshold)
    falls, rises, last = (
        seek(values, first, end, line, usual)
        for seek in (kernels.falls_at, kernels.rises_at, kernels.last_below)
    )
    for fall, rise, place, a, b in zip(falls, rises, last, first, end, strict=True):
        below = a + np.flatnonzero(values[a:b] <= threshold)
        assert place == (below[-1] if below.size else -1)
        _assert_crosses(values, fall, below[0] - 1 if below.size else -1, threshold)
        _assert_crosses(values, rise, place, threshold)


def _assert_crosses(values: np.ndarray, crossing: float, place: int, threshold: float) -> None:
    if place < 0 or place + 1 >= values.size:
        assert np.isnan(crossing)
    elif values[place] == values[place + 1]:
        assert crossing == place
    else:
        step = (threshold - values[place]) / (float(values[place + 1]) - values[place])
        assert crossing == pytest.approx(place + step)


@pytest.mark.usefixtures("made")
def test_a_threshold_that_is_not_known_is_never_crossed():
    first, end = _places(1)
    unknown = np.full(20, np.nan)
    assert np.isnan(kernels.falls_at(FLOATS, first, end, unknown, 8)).all()
    assert np.isnan(kernels.rises_at(FLOATS, first, end, unknown, 8)).all()


@pytest.mark.usefixtures("made")
@values_of
@pytest.mark.parametrize("length", [1, 4, 15, 40, 500, 501])
def test_tops_and_means_of_groups(values, length):
    groups = values[: values.size // length * length].reshape(-1, length)
    np.testing.assert_array_equal(kernels.tops_of_groups(values, length), groups.max(axis=1, initial=-99))
    np.testing.assert_allclose(kernels.means_of_groups(values, length), groups.mean(axis=1), atol=1e-12)


@pytest.mark.usefixtures("made")
@pytest.mark.parametrize("paired", [False, True])
@pytest.mark.parametrize("lag", [1, 3, 400])
def test_three_taps_begin_as_if_all_had_been_like_the_first_value(paired, lag):
    padded = np.concatenate((np.full(900, FLOATS[0]), FLOATS))
    taps = np.zeros(2 * lag + 1)
    taps[[0, lag, 2 * lag]] = 0.5, -0.2, 0.1
    expected = np.convolve(padded, np.convolve(taps, [1.0, 1.0]) if paired else taps)[900:1400]
    got = kernels.three_taps(FLOATS, (0.5, -0.2, 0.1), lag, paired)
    np.testing.assert_allclose(got, expected, atol=1e-12)
    rows = kernels.three_taps(np.stack((FLOATS, 2.0 * FLOATS)), (0.5, -0.2, 0.1), lag, paired)
    np.testing.assert_allclose(rows, [expected, 2.0 * expected], atol=1e-12)


@pytest.mark.usefixtures("made")
@values_of
def test_shares_of_a_height_are_over_the_level_before_and_after(values):
    centre, offsets = np.array([20, 100]), np.array([-6, -3, 0, 3, 6])
    low, high = np.array([-5.0, -6.0]), np.array([1.0, 2.0])
    shares = kernels.shares_of(values, centre, offsets, low, high)
    for row, place in enumerate(centre):
        levels = np.where(offsets <= 0, low[row], high[row])
        height = values[place] - low[row]
        np.testing.assert_allclose(shares[row], (values[place + offsets] - levels) / height)


def _train(**besides: Any) -> Any:
    train = Train(kind="tightening", damping=0.01, blows=15, doubled=0.2, double_s=0.004, **besides)
    return make(train, np.random.default_rng(1))


def _assert_same(blows: Blows, others: Blows) -> None:
    for field in dataclasses.fields(Blows):
        one, other = (np.asarray(getattr(of, field.name), np.float64) for of in (blows, others))
        np.testing.assert_allclose(one, other, rtol=1e-9, atol=1e-9, err_msg=field.name)


@pytest.mark.parametrize("natural_hz", [0.0, 900.0])
def test_how_many_blows_are_measured_at_once_changes_nothing(natural_hz):
    made = _train(natural_hz=natural_hz)
    found = find_blows(made.torque_nm, made.rate_hz, 0.02)
    together = measure_blows(made.torque_nm, made.rate_hz, found, 0.02)
    with patch.object(stretches, "MOST_AT_ONCE", 1):
        each = measure_blows(made.torque_nm, made.rate_hz, found, 0.02)
    _assert_same(together, each)


@pytest.mark.parametrize("natural_hz", [0.0, 300.0, 900.0])
@pytest.mark.parametrize("rotation", [1, -1])
def test_both_makes_find_and_measure_the_same_blows(natural_hz, rotation):
    made = _train(natural_hz=natural_hz)
    counts = np.rint(rotation * (2000.0 * made.torque_nm + RANDOM.normal(0.0, 300.0, made.torque_nm.size)))
    results = []
    try:
        for use in (kernels.use_numpy, kernels.compile_them):
            if use() is False:
                pytest.skip("Numba is not installed: pip install 'anviltrace[fast]'")
            found = find_blows(counts.astype(np.int32), made.rate_hz, 300.0, rotation)
            results.append(measure_blows(counts, made.rate_hz, found, 300.0, rotation))
    finally:
        kernels.use_numpy()
    assert len(results[0]) >= 12
    _assert_same(*results)


def test_without_numba_numpy_serves(monkeypatch):
    monkeypatch.setattr(kernels, "find_spec", lambda _name: None)
    assert not kernels.compile_them()
    assert not kernels.are_compiled()


def test_a_numba_that_does_not_load_is_done_without(monkeypatch):
    def broken(_name: str) -> None:
        raise ImportError("Numba needs an older NumPy")

    monkeypatch.setattr(kernels, "find_spec", lambda _name: object())
    monkeypatch.setattr(kernels, "import_module", broken)
    assert not kernels.compile_them()
