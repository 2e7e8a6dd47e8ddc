"""Sampling of half a sine against a table computed independently, and against the closed form.

fixtures/published/half_sine_sampling_error.csv comes from 4000 uniform phases each. The program takes blows
narrower by up to 1 % and 1/24 of a sample, so its worst losses may lie above the table's by what that makes,
and not below them.
"""

from __future__ import annotations

import csv
import math
from pathlib import Path

import numpy as np
import pytest
from struck_facts import facts_of

from anviltrace.metrics.analysis import analyse
from anviltrace.records import RigKind
from anviltrace.trace.sampling import impulse_error_sd, worst_peak_loss

ROUNDED = 1e-3
"""The table has four digits and its phases miss the worst one by up to 0.04 % of the loss."""


@pytest.fixture(scope="module")
def table(root: Path) -> list[dict[str, float]]:
    text = (root / "fixtures/published/half_sine_sampling_error.csv").read_text(encoding="utf-8")
    lines = [line for line in text.splitlines() if not line.startswith("#")]
    rows = [{key: float(value) for key, value in row.items()} for row in csv.DictReader(lines)]
    assert len(rows) == 23
    return rows


def _narrowed(count: float) -> float:
    """Share by which the program may take a blow of so many samples as narrower than it is."""
    return 0.01 + 1.0 / 24.0 / count


def _seen(count: float, boxcars: tuple[float, ...]) -> float:
    """Samples on the base behind a filter: variances add, that of half a sine is (1/4 − 2/π²)·N²."""
    return math.sqrt(count**2 + sum(length**2 for length in boxcars) / 12.0 / (0.25 - 2.0 / math.pi**2))


def _loss_percent(count: float, boxcars: tuple[float, ...], parabola: bool) -> float:
    """Worst loss at one sample a second, of a blow with so many samples on its own base."""
    return 100.0 * float(worst_peak_loss(_seen(count, boxcars), 1.0, boxcars, parabola))


def test_peak_of_point_samples(table):
    """The loss grows as 1/N² at most, from the width that is taken."""
    for row in table:
        count, worst = row["samples_per_pulse_N"], row["peak_worst_numeric_%"]
        loss = _loss_percent(count, (), False)
        assert (1.0 - ROUNDED) * worst <= loss <= (1.0 + 2.0 * _narrowed(count) + ROUNDED) * worst


@pytest.mark.parametrize("count", [1.0, 1.3, 2.5, 3.75, 7.5, 22.5, 100.0])
def test_peak_of_point_samples_in_closed_form(count):
    """The apex lies half a sample from the nearest one at worst: 1 − cos(π/2N)."""
    narrow = count * math.exp(-0.01) - 1.0 / 24.0
    least, most = (100.0 * (1.0 - math.cos(0.5 * math.pi / n)) for n in (count, max(1.0, narrow)))
    assert least - 1e-9 <= _loss_percent(count, (), False) <= most + 1e-9


def test_peak_by_a_parabola(table):
    """From five samples up, where it goes as 1/N⁴ and is used."""
    rows = [row for row in table if row["samples_per_pulse_N"] >= 5.0]
    assert len(rows) == 14
    for row in rows:
        count, worst = row["samples_per_pulse_N"], row["parabola_worst_under_%"]
        loss = _loss_percent(count, (), True)
        assert (1.0 - ROUNDED) * worst <= loss <= (1.0 + 4.0 * _narrowed(count) + ROUNDED) * worst


def test_peak_of_an_integrating_converter(table):
    """The boxcar has 49 points for 48 and so 4 % more variance: that is a quarter of the loss.

    At N = 1 its middle point counts twice, half a percent of the loss.
    """
    for row in table:
        count, worst = row["samples_per_pulse_N"], row["boxcar_peak_worst_under_%"]
        loss = _loss_percent(count, (1.0,), False)
        assert 0.994 * worst <= loss <= (1.0 + 2.0 * _narrowed(count) + 0.01) * worst


@pytest.mark.parametrize(("rate_hz", "worst_percent"), [(7500.0, 3.0), (3750.0, 11.3)])
def test_peak_behind_a_sinc5_filter(rate_hz, worst_percent):
    """1 ms behind 30 kS/s of order 5, averaged down; figures of an independent simulation, one decimal."""
    boxcars = (rate_hz / 30_000.0,) * 4 + (1.0,)
    loss = _loss_percent(1e-3 * rate_hz, boxcars, False)
    most = 1.0 + 2.0 * _narrowed(1e-3 * rate_hz) + 0.01
    assert worst_percent - 0.05 <= loss <= most * (worst_percent + 0.05)


def test_impulse_of_point_samples(table):
    counts = np.array([row["samples_per_pulse_N"] for row in table])
    published = np.array([row["impulse_sd_%"] for row in table])
    np.testing.assert_allclose(100.0 * impulse_error_sd(counts, 1.0, ()), published, rtol=ROUNDED)


@pytest.mark.parametrize("count", [2.6, 2.8, 3.2, 4.0, 4.6, 5.2, 8.0])
def test_the_bound_of_each_blow_holds_what_it_was(count):
    """200 half sines of 200 N·m at random phases, N samples on the base of each: 94 of 100 at least.

    Their true height is known by construction; a sample of N = 2.6 misses up to 1 − cos(π/2N) = 17.7 % of it,
    that is 21.5 % of what it reads.
    """
    rate_hz, blows, noise_nm = count / 1e-3, 200, 0.05
    random = np.random.default_rng(round(10 * count))
    apex = 0.025 * rate_hz * (10 + np.arange(blows)) + random.uniform(0.0, 1.0, blows)
    since = np.arange(round(apex[-1] + 0.25 * rate_hz))[:, np.newaxis] - apex
    torque_nm = np.where(np.abs(since) < 0.5 * count, 200.0 * np.cos(np.pi * since / count), 0.0).sum(axis=1)
    a = analyse(facts_of(torque_nm, rate_hz, RigKind.THROUGH))
    assert a.blows is not None
    assert len(a.blows) == blows
    highest = a.blows.peak + a.peak_above * a.blows.net_peak + 3.0 * noise_nm
    assert np.count_nonzero(highest >= 200.0) >= 0.94 * blows
    assert float(np.median(a.peak_above)) < 1.6 * (1.0 / math.cos(0.5 * math.pi / count) - 1.0)
