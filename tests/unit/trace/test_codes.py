"""Codes against planted faults, and sound converters that must not be blamed."""

from __future__ import annotations

import numpy as np
import pytest

from anviltrace.trace.codes import Codes, look_at_codes

SPLINE = [1 / 24, 11 / 24, 11 / 24, 1 / 24]
"""What a sinc4 at its own rate makes of white noise: neighbours go together (0.49)."""


def sound(sd: float, samples: int, seed: int = 1) -> np.ndarray:
    return np.rint(sd * np.random.default_rng(seed).standard_normal(samples) + 1000.3).astype(np.int32)


def found(counts: np.ndarray) -> Codes:
    codes = look_at_codes(counts)
    assert isinstance(codes, Codes), codes
    return codes


@pytest.mark.parametrize("sd", [1.3, 3.0, 45.0, 300.0])
@pytest.mark.parametrize("samples", [600, 4800, 60_000])
def test_a_sound_converter_is_not_blamed(sd: float, samples: int) -> None:
    for seed in range(15):
        assert found(sound(sd, samples, seed)).sound


def test_noise_through_a_filter_with_drift_and_hum_is_not_blamed() -> None:
    for seed in range(15):
        random = np.random.default_rng(seed)
        noise = np.convolve(random.standard_normal(8000), SPLINE, "same") / np.sqrt(np.sum(np.square(SPLINE)))
        times = np.arange(8000) / 320.0
        counts = 20.0 * noise + 2.0 * times + 30.0 * np.sin(2.0 * np.pi * 50.0 * times)
        assert found(np.rint(counts).astype(np.int32)).sound


def test_one_missing_code() -> None:
    counts = sound(45.0, 20_000)
    counts[counts == 1007] = 1008
    assert found(counts).missing == (1007,)


def test_one_sticky_code() -> None:
    counts = sound(45.0, 20_000)
    counts[np.random.default_rng(2).random(20_000) < 0.03] = 1010
    assert found(counts).sticky == (1010,)


@pytest.mark.parametrize("samples", [600, 20_000])
def test_a_low_bit_that_never_changes(samples: int) -> None:
    codes = found(sound(45.0, samples) & ~1)
    assert codes.dead_bits == (0,)
    assert not codes.sound


def test_a_code_in_four_comes() -> None:
    """A step of four codes, as of a worse converter behind a scaled number: two dead bits."""
    assert found(sound(45.0, 20_000) // 4 * 4 + 1).dead_bits == (0, 1)


def test_every_reading_taken_twice() -> None:
    codes = found(np.repeat(sound(45.0, 3000), 2))
    assert codes.repeats >= 3000 > codes.repeats_most


def test_a_chip_that_stands_still_for_a_while() -> None:
    counts = sound(45.0, 4800)
    counts[2000:2040] = counts[2000]
    codes = found(counts)
    assert codes.longest >= 40 > codes.longest_most
    assert not codes.sound


def test_a_few_stale_readings_in_a_hundred() -> None:
    counts = sound(45.0, 20_000)
    stale = np.flatnonzero(np.random.default_rng(5).random(20_000) < 0.05)
    counts[stale[stale > 0]] = counts[stale[stale > 0] - 1]
    codes = found(counts)
    assert codes.repeats > codes.repeats_most


def test_noise_below_one_code_tells_nothing() -> None:
    assert "below one code" in str(look_at_codes(sound(0.4, 5000)))


def test_one_code_alone_tells_nothing() -> None:
    assert "all 5000 samples are the code 17" in str(look_at_codes(np.full(5000, 17)))


def test_too_few_samples_tell_nothing() -> None:
    assert look_at_codes(sound(45.0, 60)) == "60 samples are too few to judge codes: 100 at least"


def test_readings_all_over_the_range_are_not_counted_code_by_code() -> None:
    wild = np.random.default_rng(1).integers(-(2**23), 2**23, 5000)
    assert found(wild).tested == 0
