"""Drift at rest: how often its interval holds the planted one."""

from __future__ import annotations

import numpy as np
import pytest

from anviltrace.trace.drift import Drift, still_drift

RATE_HZ = 80.0


def test_the_interval_holds_a_planted_drift() -> None:
    times = np.arange(4800) / RATE_HZ
    held = 0
    for seed in range(400):
        noise = np.random.default_rng(seed).standard_normal(4800)
        found = still_drift(40.0 * noise + 0.2 * times, RATE_HZ)
        assert isinstance(found, Drift)
        held += abs(found.per_minute - 12.0) <= found.expanded
    assert 0.92 <= held / 400 <= 0.98


def test_noise_slower_than_a_sample_widens_the_interval() -> None:
    """Of the same strength, but neighbours alike for a second: some nine times as wide."""
    random = np.random.default_rng(3)
    quick = [still_drift(random.standard_normal(4800), RATE_HZ).expanded for _ in range(40)]
    slow = [still_drift(np.repeat(random.standard_normal(60), 80), RATE_HZ).expanded for _ in range(40)]
    assert np.mean(slow) / np.mean(quick) == pytest.approx(np.sqrt(80.0), rel=0.15)


def test_a_part_of_a_minute_is_carried_on() -> None:
    found = still_drift(np.arange(1600) * 0.01, RATE_HZ)
    assert (found.per_minute, found.seconds) == (pytest.approx(48.0), 20.0)
    assert found.expanded < 1e-9


def test_too_short_is_said() -> None:
    assert still_drift(np.zeros(400), RATE_HZ) == ("5.0 s are too short for the drift: record 10 s at least")
