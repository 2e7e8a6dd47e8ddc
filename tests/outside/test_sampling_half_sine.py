"""Sampling and sensor response of half a sine against tables computed independently.

fixtures/published/half_sine_sampling_error.csv comes from 4000 uniform phases each, half_sine_response.csv
from a closed form checked against scipy's lsim; textbook: the undamped maximum 1.77 near fn·w = 0.8.
"""

from __future__ import annotations

import csv
from pathlib import Path

import pytest

from anviltrace.trace.sampling import (
    filtered_peak_loss,
    impulse_error_sd,
    peak_loss_mean,
    peak_loss_worst,
    sensor_response,
)


def _rows(path: Path) -> list[dict[str, float]]:
    lines = [line for line in path.read_text(encoding="utf-8").splitlines() if not line.startswith("#")]
    return [{key: float(value) for key, value in row.items()} for row in csv.DictReader(lines)]


@pytest.fixture(scope="module")
def sampling(root: Path) -> list[dict[str, float]]:
    rows = _rows(root / "fixtures/published/half_sine_sampling_error.csv")
    assert len(rows) > 20
    return rows


def test_peak_of_point_samples(sampling):
    for row in sampling:
        count = row["samples_per_pulse_N"]
        assert 100.0 * peak_loss_worst(count) == pytest.approx(
            row["peak_worst_numeric_%"], rel=2e-3, abs=0.05
        )
        assert 100.0 * peak_loss_mean(count) == pytest.approx(row["peak_mean_numeric_%"], rel=2e-3, abs=1e-4)


def test_impulse_of_point_samples(sampling):
    for row in sampling:
        sd = 100.0 * float(impulse_error_sd(row["samples_per_pulse_N"]))
        assert sd == pytest.approx(row["impulse_sd_%"], rel=2e-3, abs=1e-4)


def test_peak_of_an_integrating_converter(sampling):
    for row in sampling:
        sample_s = 1.0 / row["samples_per_pulse_N"]
        loss = filtered_peak_loss(1.0, [sample_s], sample_s)
        assert 100.0 * loss.worst == pytest.approx(row["boxcar_peak_worst_under_%"], rel=2e-3, abs=0.02)
        assert 100.0 * loss.best == pytest.approx(row["boxcar_peak_best_under_%"], rel=2e-3, abs=1e-3)
        assert 100.0 * loss.mean == pytest.approx(row["boxcar_peak_mean_under_%"], rel=2e-3, abs=0.01)


@pytest.mark.parametrize(("rate_hz", "worst_percent"), [(7500.0, 3.0), (3750.0, 11.3)])
def test_peak_behind_a_sinc5_filter(rate_hz, worst_percent):
    """1 ms behind 30 kS/s of order 5, averaged down; figures of an independent simulation, two digits."""
    loss = filtered_peak_loss(1e-3, [1.0 / 30_000.0] * 4 + [1.0 / rate_hz], 1.0 / rate_hz)
    assert 100.0 * loss.worst == pytest.approx(worst_percent, rel=0.03)


def test_response_of_a_transducer(root):
    rows = _rows(root / "fixtures/published/half_sine_response.csv")
    assert len(rows) == 18
    for row in rows:
        response = sensor_response(row["fn_times_w"], row["zeta"])
        assert response.primary == pytest.approx(row["primary_max"], abs=1e-5)
        assert response.residual == pytest.approx(row["residual_max"], abs=1e-5)


def test_largest_undamped_response_is_the_textbook_one():
    largest = max(sensor_response(0.01 * step, 0.0).maximax for step in range(50, 150))
    assert largest == pytest.approx(1.77, abs=0.005)
    assert sensor_response(0.81, 0.0).maximax == pytest.approx(largest, abs=1e-4)
