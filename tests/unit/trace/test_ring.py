from __future__ import annotations

import math

import numpy as np
import pytest

from anviltrace.trace.ring import Ring, estimate_ring, without_ring

RATE_HZ = 10_000.0
RISEN = np.arange(1000, 20_000, 500)


def _ringing(frequency_hz: float, decay_s: float, level: float = 0.0) -> np.ndarray:
    """A ring of the amplitude 100 that starts anew every 50 ms."""
    since_s = (np.arange(20_500) % 500) / RATE_HZ
    return level + 100.0 * np.exp(-since_s / decay_s) * np.sin(2.0 * np.pi * frequency_hz * since_s)


@pytest.mark.parametrize(
    ("frequency_hz", "decay_s"), [(450.0, 0.008), (900.0, 0.018), (2700.0, 0.01), (4700.0, 0.02)]
)
@pytest.mark.parametrize("noise", [0.1, 5.0])
def test_frequency_and_decay_are_found_in_noise(frequency_hz, decay_s, noise):
    values = _ringing(frequency_hz, decay_s) + noise * np.random.default_rng(1).standard_normal(20_500)
    ring = estimate_ring(values, RATE_HZ, RISEN, noise)
    assert ring is not None
    assert ring.frequency_hz == pytest.approx(frequency_hz, rel=0.005)
    assert ring.decay_s == pytest.approx(decay_s, rel=0.02 if noise < 1.0 else 0.15)


def test_noise_hum_and_drift_do_not_ring():
    noise = np.random.default_rng(2).standard_normal(20_500)
    hum = 50.0 * np.sin(2.0 * np.pi * 50.0 * np.arange(20_500) / RATE_HZ)
    drift = np.linspace(0.0, 5000.0, 20_500)
    for values in (noise, noise + hum, noise + drift):
        assert estimate_ring(values, RATE_HZ, RISEN, 1.0) is None
    assert estimate_ring(noise, RATE_HZ, np.empty(0, np.int64), 1.0) is None


@pytest.mark.parametrize("frequency_hz", [300.0, 900.0, 2200.0, 3300.0, 4900.0])
def test_nothing_is_left_of_a_ring_and_the_level_stays(frequency_hz):
    values = _ringing(frequency_hz, 0.02, level=70.0)[:500]
    still = without_ring(values, RATE_HZ, Ring(frequency_hz, 0.02))
    settled = math.ceil(RATE_HZ / frequency_hz / still.length) + 2
    np.testing.assert_allclose(still.values[settled:], 70.0, atol=1e-6)


@pytest.mark.parametrize("frequency_hz", [300.0, 900.0, 2200.0, 3300.0, 4900.0])
def test_the_noise_left_is_as_stated(frequency_hz):
    noise = np.random.default_rng(3).standard_normal(200_000)
    still = without_ring(noise, RATE_HZ, Ring(frequency_hz, 0.02))
    assert float(still.values.std()) == pytest.approx(still.noise, rel=0.03)


def test_values_before_a_blow_know_nothing_of_it():
    values = np.zeros(1000)
    values[600:] = 1.0
    still = without_ring(values, RATE_HZ, Ring(900.0, 0.02))
    assert not still.values[: 600 // still.length].any()


def test_a_swing_longer_than_the_rests_explains_nothing():
    # rests of 20 samples, and means of 25 would show a ring of 151 Hz
    apexes = 100 + 140 * np.arange(27)
    values = np.random.default_rng(3).standard_normal(100 + 140 * apexes.size)
    values[100:] += np.tile(5000.0 * np.cos(np.linspace(0.0, 0.5, 140)), apexes.size)
    assert estimate_ring(values, 30_000.0, apexes, 1.0, known=Ring(151.0, 0.05)) is None
