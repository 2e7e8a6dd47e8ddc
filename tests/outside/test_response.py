"""What a ringing transducer shows of a blow, against tables and textbook formulas."""

from __future__ import annotations

import math

import numpy as np
import published
import pytest

from anviltrace.trace.blows import find_blows, measure_blows
from anviltrace.trace.response import half_sine_response, shown
from anviltrace.trace.ringdown import ring_of
from anviltrace.virtual.rig import Resonator


@pytest.mark.parametrize("row", published.rows("half_sine_response.csv"))
def test_largest_responses_to_half_a_sine(row):
    """fixtures/published/half_sine_response.csv, to its five decimals."""
    found = shown(half_sine_response, row["fn_times_w"], row["zeta"])
    assert found.primary == pytest.approx(row["primary_max"], abs=1e-5)
    assert found.residual == pytest.approx(row["residual_max"], abs=1e-5)
    assert found.peak == pytest.approx(row["maximax"], abs=1e-5)


@pytest.mark.parametrize("swings", [0.3, 0.7, 0.9, 1.3, 2.0, 2.7, 4.0, 7.3])
def test_undamped_responses_by_the_textbook(swings):
    """Residual |4r·cos πr/(4r² − 1)|; during the pulse the largest (2r/(2r − 1))·sin(2πn/(2r + 1))."""
    found = shown(half_sine_response, swings, 0.0)
    residual = abs(4.0 * swings * math.cos(math.pi * swings) / (4.0 * swings**2 - 1.0))
    assert found.residual == pytest.approx(residual, abs=1e-5)
    if swings > 0.5:
        factor = 2.0 * swings / (2.0 * swings - 1.0)
        orders = range(1, math.floor(swings + 0.5) + 1)
        primary = max(factor * math.sin(2.0 * math.pi * n / (2.0 * swings + 1.0)) for n in orders)
        assert found.primary == pytest.approx(primary, abs=1e-5)


@pytest.mark.parametrize(("damping", "largest"), [(0.0, 1.7685), (0.01, 1.7426), (0.05, 1.6470)])
def test_the_largest_response_of_all_is_near_0_81_swings(damping, largest):
    """Computed independently; the classical 1.77 near 0.8 (shock response spectrum of half a sine)."""
    swings = np.arange(0.5, 1.2, 0.005)
    peaks = [shown(half_sine_response, one, damping).peak for one in swings.tolist()]
    assert max(peaks) == pytest.approx(largest, abs=1e-4)
    assert swings[np.argmax(peaks)] == pytest.approx(0.81, abs=0.02)


@pytest.mark.parametrize(("swings", "observed"), [(0.25, 0.50), (0.8, 0.66), (1.0, 0.75), (1.5, 0.95)])
def test_the_width_shown_is_not_the_width_of_the_blow(swings, observed):
    """Computed independently, damping 0.01: observed fn·w by the true one."""
    found = shown(half_sine_response, swings, 0.01)
    assert 1.5 * swings * found.width == pytest.approx(observed, abs=0.006)


@pytest.mark.parametrize("row", published.rows("impulse_vs_window.csv"))
def test_the_impulse_is_read_over_the_whole_ring(row):
    """fixtures/published/impulse_vs_window.csv: ours is that of a long window, not that of a short one."""
    swings, damping, width_s, rate_hz = row["fn_times_w"], row["zeta"], 1e-3, 60_000.0
    steps = np.linspace(0.0, 1.0, 4001)
    short = np.trapezoid(half_sine_response(steps, swings, damping), steps) / (2.0 / math.pi)
    assert short == pytest.approx(row["to_end_of_pulse"], abs=2e-4)

    natural_hz = swings / width_s
    times = np.arange(round(1.0 * rate_hz)) / rate_hz - 0.2
    push = np.where((times > 0.0) & (times < width_s), 100.0 * np.sin(np.pi * times / width_s), 0.0)
    values = Resonator(natural_hz, damping, 1.0 / rate_hz).respond(push)
    values += 0.02 * np.random.default_rng(1).standard_normal(values.size)
    found = find_blows(values, rate_hz, 0.02, ring=ring_of(natural_hz, damping, rate_hz))
    blows = measure_blows(values, rate_hz, found, 0.02)
    assert len(blows) == 1
    true = 100.0 * width_s * 2.0 / math.pi
    assert blows.impulse[0] == pytest.approx(row["long_window"] * true, rel=2e-3)
