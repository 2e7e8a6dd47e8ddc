from __future__ import annotations

import numpy as np
import pytest
from blow_train import Train, make

from anviltrace.trace.blows import find_blows, measure_blows
from anviltrace.trace.hum import mains_hum
from anviltrace.trace.level import noise_sd

RATE_HZ = 7500.0
TIMES_S = np.arange(7500) / RATE_HZ


def _noise(seed: int) -> np.ndarray:
    return np.random.default_rng(seed).normal(0.0, 0.05, TIMES_S.size)


@pytest.mark.parametrize("mains_hz", [49.9, 50.0, 60.0, 60.1])
def test_hum_is_found_with_its_amplitude(mains_hz):
    hum = 0.3 * np.sin(2.0 * np.pi * mains_hz * TIMES_S + 1.0)
    hum += 0.1 * np.sin(6.0 * np.pi * mains_hz * TIMES_S)
    found = mains_hum(20.0 + 3.0 * TIMES_S + hum + _noise(1), RATE_HZ)
    assert found is not None
    assert found.base_hz == pytest.approx(mains_hz, abs=0.2)
    assert found.amplitude == pytest.approx(np.hypot(0.3, 0.1), rel=0.05)


def test_noise_drift_and_other_swings_are_no_hum():
    assert [mains_hum(_noise(seed), RATE_HZ) for seed in range(100)] == [None] * 100
    assert mains_hum(np.zeros(7500), RATE_HZ) is None
    other = 0.3 * np.sin(2.0 * np.pi * 37.0 * TIMES_S)
    assert mains_hum(other + _noise(2), RATE_HZ) is None
    walk = np.cumsum(_noise(3))
    assert mains_hum(walk, RATE_HZ) is None


def test_too_short_or_too_slow_a_stretch_tells_nothing():
    hum = 0.3 * np.sin(2.0 * np.pi * 50.0 * TIMES_S)
    assert mains_hum(hum[:1400], RATE_HZ) is None
    assert mains_hum(hum[::100], 75.0) is None


@pytest.mark.parametrize("kind", ["through", "tightening"])
def test_blows_and_levels_stand_hum_and_drift(kind):
    made = make(Train(kind=kind, blows=30, natural_hz=3400.0), np.random.default_rng(4))
    times = np.arange(made.torque_nm.size) / made.rate_hz
    hum = 2.0 * np.sin(2.0 * np.pi * 50.0 * times) + 1.0 * np.sin(2.0 * np.pi * 150.0 * times)
    record = made.torque_nm + hum + 8.0 * times / times[-1]
    noise = noise_sd(record[: int(0.2 * made.rate_hz)])
    blows = measure_blows(record, made.rate_hz, find_blows(record, made.rate_hz, noise), noise)
    assert len(blows) == 30
    np.testing.assert_allclose(blows.apex_s, made.apex_s, atol=1.5e-4)
    # 0.1 N·m over a rest of 25 ms is 2 % of such a blow: what hum leaves in a level
    np.testing.assert_allclose(blows.impulse.mean(), made.impulse_nms.mean(), rtol=0.025)
    lifted = 8.0 * blows.apex_s / times[-1]
    assert np.abs(np.median(blows.level_after - lifted - made.level_after_nm)) < 1.0
