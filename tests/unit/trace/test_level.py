from __future__ import annotations

import numpy as np
import pytest

from anviltrace.trace.level import medians, noise_sd, quiet_levels

RANDOM = np.random.default_rng(2)


@pytest.mark.parametrize("count", [1, 2, 5, 24, 25])
@pytest.mark.parametrize("dtype", [np.int16, np.int32, np.float64])
def test_medians_of_rows_are_those_of_numpy(count, dtype):
    rows = (30_000.0 * RANDOM.uniform(-1.0, 1.0, (40, count))).astype(dtype)
    np.testing.assert_array_equal(medians(rows), np.median(rows, axis=1))


@pytest.mark.parametrize("width", [40, 41])
def test_levels_of_rows_of_any_length_are_those_of_single_stretches(width):
    count = RANDOM.integers(1, width + 1, 200)
    rows = RANDOM.standard_normal((200, width))
    expected = [np.median(row[:used]) for row, used in zip(rows, count, strict=True)]
    np.testing.assert_array_equal(quiet_levels(rows.copy(), count), expected)
    assert quiet_levels(rows[:2, :1].copy(), np.array([1, 1])).tolist() == rows[:2, 0].tolist()


def test_noise_is_that_of_the_stretch_whatever_it_drifts():
    noise = 3.0 * RANDOM.standard_normal(20_000)
    assert noise_sd(noise + np.linspace(-500.0, 900.0, noise.size)) == pytest.approx(3.0, rel=0.03)


def test_a_knock_is_no_noise_but_hum_is():
    noise = RANDOM.standard_normal(20_000)
    knocked = noise.copy()
    knocked[700:720] += 500.0
    assert noise_sd(knocked) == pytest.approx(1.0, rel=0.03)
    hum = 5.0 * np.sin(np.arange(noise.size) * 0.01)
    assert noise_sd(noise + hum) > 3.0


def test_whole_counts_have_the_noise_of_rounding():
    assert noise_sd(np.full(100, 7, dtype=np.int32)) == pytest.approx(12.0**-0.5)
    assert noise_sd(np.full(100, 7.0)) == 0.0


def test_too_few_samples_tell_no_noise():
    with pytest.raises(ValueError, match="4 samples tell no noise"):
        noise_sd([1, 2, 3, 4])
