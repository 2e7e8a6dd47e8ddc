"""What filter, sampling and estimator do to half sines, against published formulas and the trace's own."""

from __future__ import annotations

import numpy as np
import pytest

from anviltrace.metrics.converter import boxcars_s
from anviltrace.metrics.estimators import corrected_width_s, impulse_error_sd, worst_peak_loss
from anviltrace.trace import sampling

RATE_HZ = 1000.0


@pytest.mark.parametrize("samples", [1.0, 2.0, 3.0, 4.5])
def test_below_five_samples_the_worst_loss_is_that_of_a_sample(samples: float) -> None:
    loss = worst_peak_loss(np.array([samples / RATE_HZ]), RATE_HZ, ())[0]
    assert loss == pytest.approx(1.0 - np.cos(np.pi / 2 / samples), abs=0.015)
    assert loss >= 1.0 - np.cos(np.pi / 2 / samples) - 1e-9


@pytest.mark.parametrize(("samples", "percent"), [(5.0, 0.35), (8.0, 0.06), (10.0, 0.02)])
def test_from_five_samples_on_a_parabola_reads_the_peak(samples: float, percent: float) -> None:
    # worst losses of a parabola through three samples of half a sine, by an independent phase grid
    loss = worst_peak_loss(np.array([samples * 1.000001 / RATE_HZ]), RATE_HZ, ())[0]
    assert 100.0 * loss == pytest.approx(percent, abs=0.03)


@pytest.mark.parametrize("width_s", [0.0004, 0.0005])
def test_behind_a_filter_the_loss_is_that_of_the_fourier_series(width_s: float) -> None:
    chain = boxcars_s("ads1256", 7500.0, 0.0)
    seen_s = np.sqrt(width_s**2 + sum(b**2 for b in chain) / 12 / (0.25 - 2 / np.pi**2))
    assert corrected_width_s(seen_s, chain) == pytest.approx(width_s)
    loss = worst_peak_loss(np.array([seen_s]), 7500.0, chain)[0]
    worst = sampling.filtered_peak_loss(width_s, chain, 1 / 7500.0).worst
    assert worst <= loss <= worst + 0.015


def test_without_a_filter_the_impulse_scatters_as_the_trace_says() -> None:
    samples = np.array([0.7, 1.0, 2.5, 7.5, 16.0])
    ours = impulse_error_sd(samples / RATE_HZ, RATE_HZ, ())
    assert ours == pytest.approx(sampling.impulse_error_sd(samples), rel=1e-2)


def test_a_filter_that_averages_whole_sample_distances_keeps_the_impulse() -> None:
    assert impulse_error_sd(np.array([0.0007]), 7500.0, boxcars_s("ads1256", 7500.0, 0.0))[0] < 1e-9
    shorter = impulse_error_sd(np.array([0.0007]), 7500.0, (0.5 / 7500.0,))[0]
    assert 1e-4 < shorter < impulse_error_sd(np.array([0.0007]), 7500.0, ())[0]


def test_what_has_no_width_has_no_bound() -> None:
    assert np.isnan(worst_peak_loss(np.array([np.nan, 0.0]), RATE_HZ, ())).all()
