"""Noise at rest against noise of known strength."""

from __future__ import annotations

import math

import numpy as np
import pytest

from anviltrace.trace.noise import Noise, effective_bits, noise_free_bits, still_noise, strays


def white(sd: float, rate_hz: float, seconds: float, seed: int = 1) -> np.ndarray:
    return sd * np.random.default_rng(seed).standard_normal(round(rate_hz * seconds))


@pytest.mark.parametrize(("rate_hz", "seconds"), [(80.0, 60.0), (10.0, 60.0), (7500.0, 5.0), (2000.0, 2.0)])
def test_white_noise_comes_out_within_its_uncertainty(rate_hz: float, seconds: float) -> None:
    off = []
    for seed in range(50):
        noise = still_noise(white(7.0, rate_hz, seconds, seed), rate_hz)
        assert isinstance(noise, Noise)
        off.append((noise.sd - 7.0) / noise.u_sd)
    assert abs(np.mean(off)) < 0.6
    assert np.mean(np.abs(off) < 2.0) > 0.85  # ten stretches: Student's t of some nine degrees of freedom


def test_drift_is_no_noise_and_hum_is() -> None:
    times = np.arange(60 * 1000) / 1000.0
    drifting = white(5.0, 1000.0, 60.0) + 3.0 * times
    humming = white(5.0, 1000.0, 60.0) + 10.0 * np.sin(2.0 * np.pi * 50.0 * times)
    assert still_noise(drifting, 1000.0).sd == pytest.approx(5.0, rel=0.02)
    assert still_noise(humming, 1000.0).sd == pytest.approx(math.hypot(5.0, 10.0 / math.sqrt(2.0)), rel=0.02)


def test_a_knock_makes_one_stretch_loud() -> None:
    values = white(5.0, 1000.0, 20.0)
    assert still_noise(values, 1000.0).loudest < 1.2
    values[7300:7320] += 400.0
    assert still_noise(values, 1000.0).loudest > 5.0


def test_too_few_samples_are_said_in_words() -> None:
    assert still_noise(np.zeros(30), 80.0) == "30 samples are too few for the noise: record at least 1 s"


def test_a_flat_record_has_no_noise() -> None:
    flat = still_noise(np.full(800, 17), 80.0)
    assert (flat.sd, flat.u_sd, flat.loudest) == (0.0, 0.0, 1.0)


def test_bits() -> None:
    assert noise_free_bits(6.6 * 1024.0, 1.0) == 10.0
    assert effective_bits(1024.0, 1.0) == 10.0
    assert effective_bits(1e6, 3.0) - noise_free_bits(1e6, 3.0) == pytest.approx(2.72, abs=0.003)


def test_single_readings_far_off_are_found_at_the_ends_too() -> None:
    values = np.rint(white(5.0, 1000.0, 5.0)).astype(np.int32)
    assert strays(values).size == 0
    values[[0, 2000, 4999]] = 0x7FFF, -90, 2_490_943
    assert strays(values).tolist() == [0, 2000, 4999]
    values[3000:3050] += 500  # a knock
    assert strays(values).tolist() == [0, 2000, 4999]
