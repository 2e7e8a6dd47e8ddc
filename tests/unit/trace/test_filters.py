from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from anviltrace.trace.filters import (
    FILTERS,
    cap_kept,
    filtered,
    gain,
    memory_s,
    noise_kept,
    peak_kept,
    why_too_slow,
)

NAMES = sorted(FILTERS)


@pytest.mark.parametrize("name", NAMES)
@settings(max_examples=20, deadline=None)  # the first one loads SciPy
@given(level=st.floats(-1e3, 1e3), size=st.integers(1, 400))
def test_levels_come_out_as_they_went_in(name, level, size):
    values = np.full(size, level)
    np.testing.assert_allclose(filtered(values, 30_000.0, FILTERS[name]), values, atol=1e-8)


@pytest.mark.parametrize("name", NAMES)
@pytest.mark.parametrize("slope", [-1e3, 400.0])
def test_steady_slopes_come_out_as_they_went_in(name, slope):
    values = 20.0 + slope * np.arange(2000) / 30_000.0
    np.testing.assert_allclose(filtered(values, 30_000.0, FILTERS[name]), values, atol=1e-5)


@pytest.mark.parametrize("name", NAMES)
def test_nothing_is_delayed(name):
    values = np.zeros(6001)
    values[3000] = 1.0
    out = filtered(values, 30_000.0, FILTERS[name])
    np.testing.assert_allclose(out, out[::-1], atol=1e-9)
    assert out.argmax() == 3000
    beyond = round(memory_s(FILTERS[name]) * 30_000.0)
    assert np.abs(out[: 3000 - beyond]).max() < 1e-5 * out.max()


def test_rates_that_are_too_low_are_refused():
    """SAE J211-1, as vendors' pages cite it: 600, 1800, 6000 and 10,000 samples a second."""
    for cfc, least_hz in ((60, 600.0), (180, 1800.0), (600, 6000.0), (1000, 10_000.0)):
        assert why_too_slow(FILTERS[f"CFC{cfc}"], least_hz) == ""
        assert why_too_slow(FILTERS[f"CFC{cfc}"], 0.999 * least_hz) == ""
        assert f"needs {least_hz:g} samples" in why_too_slow(FILTERS[f"CFC{cfc}"], 0.9 * least_hz)
    with pytest.raises(ValueError, match="CFC1000 needs 10000 samples a second and the record has 7500"):
        filtered(np.zeros(100), 7500.0, FILTERS["CFC1000"])


@pytest.mark.parametrize("name", ["CFC180", "CFC600", "CFC1000-ISO"])
def test_sinusoids_and_noise_keep_what_is_stated(name):
    times = np.arange(30_000) / 30_000.0
    for hz in (100.0, 700.0, 2500.0):
        out = filtered(np.sin(2.0 * np.pi * hz * times), 30_000.0, FILTERS[name])
        assert out[6000:24_000].std() * np.sqrt(2.0) == pytest.approx(
            float(gain(FILTERS[name], 30_000.0, hz)), abs=1e-4
        )
    noise = np.random.default_rng(1).standard_normal(400_000)
    out = filtered(noise, 30_000.0, FILTERS[name])
    assert out.std() == pytest.approx(noise_kept(FILTERS[name], 30_000.0), rel=0.03)


def test_unknown_widths_keep_an_unknown_share():
    kept = peak_kept(FILTERS["CFC600"], 30_000.0, [1e-3, np.nan])
    assert kept[0] == pytest.approx(0.95, abs=0.005)
    assert np.isnan(kept[1])


@pytest.mark.parametrize("name", ["CFC60", "CFC180", "CFC600"])
def test_the_cap_of_a_blow_keeps_what_filtering_it_shows(name):
    rate_hz, base_s = 60_000.0, 0.8e-3
    times = np.arange(-6000, 6001) / rate_hz
    half_s = 0.5 * np.sqrt(2.0) * base_s / 1.5  # as wide at half its height as half a sine
    cap = np.maximum(0.0, 1.0 - np.square(times / half_s))
    assert np.ptp(times[cap >= 0.5]) == pytest.approx(base_s / 1.5, abs=2.5 / rate_hz)
    kept = float(cap_kept(FILTERS[name], rate_hz, base_s))
    assert kept == pytest.approx(filtered(cap, rate_hz, FILTERS[name]).max(), rel=1e-6)
    less = kept < float(peak_kept(FILTERS[name], rate_hz, base_s))
    assert less == (name != "CFC600")  # behind which the round top of a cap keeps more
