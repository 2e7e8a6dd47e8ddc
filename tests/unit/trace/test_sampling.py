from __future__ import annotations

import math

import numpy as np
import pytest

from anviltrace.trace.sampling import (
    filtered_peak_loss,
    impulse_error_sd,
    peak_loss_mean,
    peak_loss_worst,
    sensor_response,
    why_unresolved,
)
from anviltrace.virtual.frontend import SincFilter

INNER_HZ = 240_000.0


def _rendered_losses(rate_hz: float, averaged: int, width_s: float) -> tuple[float, float]:
    """Least and largest loss over 200 phases, through the filter of the simulated converter."""
    losses = []
    for phase in np.linspace(0.0, 1.0 / rate_hz, 200, endpoint=False):
        times = np.arange(1, 8 * 30 * averaged * 4 + 1) / INNER_HZ - 0.002 - phase
        pulse = np.where((times > 0.0) & (times < width_s), np.sin(np.pi * times / width_s), 0.0)
        values = SincFilter(5, 8).push(pulse)
        losses.append(1.0 - values.reshape(-1, averaged).mean(axis=1).max())
    return min(losses), max(losses)


@pytest.mark.parametrize(("rate_hz", "averaged"), [(30_000.0, 1), (7500.0, 4), (3750.0, 8)])
def test_filter_loss_agrees_with_the_simulated_converter(rate_hz, averaged):
    best, worst = _rendered_losses(rate_hz, averaged, 1e-3)
    loss = filtered_peak_loss(1e-3, [1 / 30_000.0] * 4 + [1 / rate_hz], 1 / rate_hz)
    assert loss.best == pytest.approx(best, rel=0.03)
    assert loss.worst == pytest.approx(worst, rel=0.03)
    assert loss.best < loss.mean < loss.worst


def test_without_a_filter_the_loss_is_that_of_sampling():
    loss = filtered_peak_loss(1e-3, [], 1e-3 / 5.0)
    assert loss.best == pytest.approx(0.0, abs=2e-5)
    assert loss.mean == pytest.approx(float(peak_loss_mean(5.0)), abs=1e-4)
    assert loss.worst == pytest.approx(float(peak_loss_worst(5.0)), abs=2e-5)


def test_impulse_error_agrees_with_many_phases():
    for samples in (1.0, 2.5, 4.2, 9.0):
        phases = np.linspace(0.0, 1.0, 2000, endpoint=False)[:, np.newaxis]
        inside = (np.arange(12) + phases) / samples
        sums = np.where(inside < 1.0, np.sin(np.pi * np.minimum(inside, 1.0)), 0.0).sum(axis=1)
        errors = sums * np.pi / (2.0 * samples) - 1.0
        assert errors.mean() == pytest.approx(0.0, abs=1e-4)
        assert float(impulse_error_sd(samples)) == pytest.approx(errors.std(), rel=0.02)


def test_arrays_keep_their_shape():
    counts = np.array([[0.5, 1.0], [3.0, 20.0]])
    for loss in (peak_loss_worst(counts), peak_loss_mean(counts), impulse_error_sd(counts)):
        assert loss.shape == (2, 2)
    assert peak_loss_worst(0.5) == 1.0


@pytest.mark.parametrize(
    ("periods", "damping"), [(0.0, 0.1), (-1.0, 0.1), (1.0, 1.0), (1.0, -0.1), (math.nan, 0.1)]
)
def test_a_sensor_that_cannot_be_is_refused(periods, damping):
    with pytest.raises(ValueError, match="no response"):
        sensor_response(periods, damping)


def test_a_stiff_sensor_reads_the_peak():
    assert sensor_response(1000.0, 0.05).maximax == pytest.approx(1.0, abs=1e-3)


@pytest.mark.parametrize("rate_hz", [10.0, 80.0, 320.0, 999.0])
def test_slow_converters_never_resolve_blows(rate_hz):
    assert "cannot show single blows" in why_unresolved(rate_hz)
    assert "cannot show single blows" in why_unresolved(rate_hz, width_s=0.05)


def test_width_decides_above_that():
    assert why_unresolved(30_000.0) == ""
    assert why_unresolved(3750.0, width_s=0.7e-3) == ""
    assert "only 1.1 samples wide" in why_unresolved(1000.0, width_s=0.7e-3)
