from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from anviltrace.trace.climbmodels import LEAST_LEVELS, fit_exponential, fit_square_root

TIMES_S = 2.0 + np.arange(1, 121) / 40.0
NUMBER = np.arange(1.0, 121.0)


def _exponential(end=260.0, start=20.0, tau_s=0.8):
    return end - (end - start) * np.exp(-(TIMES_S - 2.0) / tau_s)


@settings(max_examples=40, deadline=None)
@given(st.floats(50.0, 600.0), st.floats(0.0, 0.8), st.floats(0.3, 1.9))
def test_an_exponential_without_scatter_is_found_exactly(end, start_share, tau_s):
    fit = fit_exponential(TIMES_S, _exponential(end, start_share * end, tau_s), from_s=2.0)
    assert fit is not None
    assert (fit.end, fit.start, fit.tau_s) == pytest.approx(
        (end, start_share * end, tau_s), rel=1e-4, abs=1e-3
    )
    assert fit.constants == pytest.approx((TIMES_S[-1] - TIMES_S[0]) / tau_s, rel=1e-4)


@settings(max_examples=40, deadline=None)
@given(st.floats(0.0, 100.0), st.floats(10.0, 2000.0))
def test_a_square_root_without_scatter_is_found_exactly(start, gain):
    fit = fit_square_root(np.sqrt(start**2 + gain * NUMBER))
    assert fit is not None
    assert (fit.start_squared, fit.gain) == pytest.approx((start**2, gain), rel=1e-5, abs=1e-2)


def test_a_start_below_nothing_is_none_at_all():
    fit = fit_square_root(np.sqrt(np.maximum(300.0 * NUMBER - 250.0, 1.0)))
    assert fit is not None
    assert fit.start_squared == 0.0
    assert fit.gain == pytest.approx(300.0, rel=0.02)


@pytest.mark.parametrize("truth", ["exponential", "square root"])
def test_aic_finds_the_model_that_made_the_levels(truth):
    random = np.random.default_rng(3)
    clean = _exponential() if truth == "exponential" else np.sqrt(400.0 + 500.0 * NUMBER)
    right = 0
    for _ in range(50):
        levels = clean + random.normal(0.0, 2.0, clean.size)
        exponential, root = fit_exponential(TIMES_S, levels, 2.0), fit_square_root(levels)
        right += (exponential.aic < root.aic) is (truth == "exponential")
    assert right == 50


def test_scatter_that_goes_together_widens_the_standard_errors():
    random = np.random.default_rng(5)
    held = {True: 0, False: 0}
    for _ in range(200):
        white = random.normal(0.0, 2.0, TIMES_S.size + 50)
        alike = np.zeros(white.size)
        for place in range(1, white.size):
            alike[place] = 0.6 * alike[place - 1] + 0.8 * white[place]
        for together, scatter in ((True, alike), (False, white)):
            fit = fit_exponential(TIMES_S, _exponential() + scatter[50:], 2.0)
            held[together] += abs(fit.end - 260.0) <= 2.0 * fit.end_se
    assert held[False] >= 185
    assert held[True] >= 180


def test_levels_that_fall_have_an_exponential_but_no_square_root():
    falling = _exponential(end=10.0, start=200.0)
    assert fit_exponential(TIMES_S, falling, 2.0).end == pytest.approx(10.0, abs=0.01)
    assert fit_square_root(falling - 20.0) is None


@pytest.mark.parametrize("levels", [np.empty(0), np.arange(LEAST_LEVELS - 1.0), np.full(50, 7.0)])
def test_too_few_levels_or_none_that_change_have_no_exponential(levels):
    assert fit_exponential(np.arange(levels.size), levels, 0.0) is None
    if levels.size < LEAST_LEVELS:
        assert fit_square_root(levels) is None
