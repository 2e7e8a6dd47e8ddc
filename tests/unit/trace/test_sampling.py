"""What filter, sampling and estimator do to half sines, against sampling them at many phases."""

from __future__ import annotations

import numpy as np
import pytest

from anviltrace.metrics.converter import boxcars_s
from anviltrace.trace.sampling import (
    corrected_width_s,
    impulse_error_sd,
    surely_no_wider,
    why_unresolved,
    worst_peak_loss,
)
from anviltrace.virtual.frontend import SincFilter

INNER_HZ = 240_000.0
RATE_HZ = 1000.0


def _seen_s(width_s: float, boxcars: tuple[float, ...]) -> float:
    """Base width behind the filter: variances add, that of half a sine is (1/4 − 2/π²)·w²."""
    return float(np.sqrt(width_s**2 + sum(b**2 for b in boxcars) / 12.0 / (0.25 - 2.0 / np.pi**2)))


def _read(values: np.ndarray, parabola: bool) -> float:
    top = int(values.argmax())
    if not parabola:
        return float(values[top])
    bent, sloped, level = np.polyfit([-1.0, 0.0, 1.0], values[top - 1 : top + 2], 2)
    return float(level - sloped**2 / (4.0 * bent))


def _rendered_loss(averaged: int, width_s: float, parabola: bool) -> float:
    """Worst loss over 200 phases, through the filter of the simulated converter."""
    readings = []
    for phase in np.linspace(0.0, averaged / 30_000.0, 200, endpoint=False):
        times = np.arange(1, 8 * 30 * averaged * 4 + 1) / INNER_HZ - 0.002 - phase
        pulse = np.where((times > 0.0) & (times < width_s), np.sin(np.pi * times / width_s), 0.0)
        values = SincFilter(5, 8).push(pulse)
        readings.append(_read(values.reshape(-1, averaged).mean(axis=1), parabola))
    return 1.0 - min(readings)


@pytest.mark.parametrize(
    ("averaged", "width_s", "parabola"),
    [
        (1, 1e-3, False),
        (4, 1e-3, False),
        (8, 1e-3, False),
        (4, 0.4e-3, False),
        (4, 1e-3, True),
        (8, 1.5e-3, True),
    ],
)
def test_behind_a_filter_the_loss_is_that_of_the_simulated_converter(
    averaged: int, width_s: float, parabola: bool
) -> None:
    rate_hz = 30_000.0 / averaged
    boxcars = boxcars_s("ads1256", rate_hz, 0.0)
    loss = float(worst_peak_loss(_seen_s(width_s, boxcars), rate_hz, boxcars, parabola))
    rendered = _rendered_loss(averaged, width_s, parabola)
    assert rendered < loss < (1.08 if parabola else 1.055) * rendered


@pytest.mark.parametrize("samples", [1.0, 2.0, 3.0, 4.5])
def test_below_five_samples_the_worst_loss_is_that_of_a_sample(samples: float) -> None:
    loss = float(worst_peak_loss(samples / RATE_HZ, RATE_HZ, ()))
    assert loss == pytest.approx(1.0 - np.cos(np.pi / 2 / samples), abs=0.015)
    assert loss == worst_peak_loss(samples / RATE_HZ, RATE_HZ, (), parabola=False)


@pytest.mark.parametrize("samples", [5.01, 8.0, 30.0])
def test_from_five_samples_on_a_parabola_reads_the_peak(samples: float) -> None:
    loss = float(worst_peak_loss(samples / RATE_HZ, RATE_HZ, ()))
    assert loss == worst_peak_loss(samples / RATE_HZ, RATE_HZ, (), parabola=True)
    assert loss < 0.1 * float(worst_peak_loss(samples / RATE_HZ, RATE_HZ, (), parabola=False))


@pytest.mark.parametrize("parabola", [False, True, None])
def test_a_blow_between_two_samples_may_be_missed(parabola: bool | None) -> None:
    assert worst_peak_loss(0.5 / RATE_HZ, RATE_HZ, (), parabola) == 1.0


def test_what_the_filter_widens_is_taken_off_a_width() -> None:
    boxcars = boxcars_s("ads1256", 7500.0, 0.0)
    for width_s in (0.0004, 0.0015):
        assert corrected_width_s(_seen_s(width_s, boxcars), boxcars) == pytest.approx(width_s)


@pytest.mark.parametrize("samples", [1.0, 2.5, 4.2, 9.0])
def test_impulse_error_agrees_with_many_phases(samples: float) -> None:
    phases = np.linspace(0.0, 1.0, 2000, endpoint=False)[:, np.newaxis]
    inside = (np.arange(12) + phases) / samples
    sums = np.where(inside < 1.0, np.sin(np.pi * np.minimum(inside, 1.0)), 0.0).sum(axis=1)
    errors = sums * np.pi / (2.0 * samples) - 1.0
    assert errors.mean() == pytest.approx(0.0, abs=1e-4)
    assert float(impulse_error_sd(samples / RATE_HZ, RATE_HZ, ())) == pytest.approx(errors.std(), rel=0.002)


def test_a_filter_that_averages_whole_sample_distances_keeps_the_impulse() -> None:
    assert impulse_error_sd(0.0007, 7500.0, boxcars_s("ads1256", 7500.0, 0.0)) < 1e-9
    shorter = impulse_error_sd(0.0007, 7500.0, (0.5 / 7500.0,))
    assert 1e-4 < shorter < impulse_error_sd(0.0007, 7500.0, ())


def test_arrays_keep_their_shape() -> None:
    widths_s = np.array([[0.5, 1.0], [3.0, 20.0]]) / RATE_HZ
    for share in (worst_peak_loss(widths_s, RATE_HZ, ()), impulse_error_sd(widths_s, RATE_HZ, ())):
        assert share.shape == (2, 2)


def test_what_has_no_width_has_no_bound() -> None:
    assert np.isnan(worst_peak_loss([np.nan, 0.0], RATE_HZ, ())).all()


def test_no_blow_counts_as_wider_than_its_neighbours() -> None:
    widths = np.array([2.8, 3.0, np.nan, 2.6, 1.5, 2.7, 2.8, 2.6, 3.0, 2.7, 2.9])
    taken = surely_no_wider(widths / RATE_HZ, RATE_HZ) * RATE_HZ
    assert taken == pytest.approx([2.8, 2.8, 2.8, 2.6, 2.8, 2.7, 2.8, 2.6, 2.8, 2.7, 2.8], abs=0.11)
    climbing = np.linspace(12.0, 6.0, 60)
    np.testing.assert_allclose(surely_no_wider(climbing, 1.0)[6:-6], climbing[6:-6])
    assert np.isnan(surely_no_wider([np.nan, np.nan], RATE_HZ)).all()


@pytest.mark.parametrize("rate_hz", [10.0, 80.0, 320.0, 999.0])
def test_slow_converters_never_resolve_blows(rate_hz: float) -> None:
    assert "cannot show single blows" in why_unresolved(rate_hz)
    assert "cannot show single blows" in why_unresolved(rate_hz, width_s=0.05)


def test_width_decides_above_that() -> None:
    assert why_unresolved(30_000.0) == ""
    assert why_unresolved(3750.0, width_s=0.7e-3) == ""
    assert "only 1.05 samples wide" in why_unresolved(1000.0, width_s=0.7e-3)
    assert "only 2.49 samples wide" in why_unresolved(1000.0, width_s=2.4999e-3 / 1.5)
