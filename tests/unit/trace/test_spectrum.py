"""Spectrum and hum against sinusoids of known strength in noise of known strength."""

from __future__ import annotations

import math

import numpy as np
import pytest

from anviltrace.trace.spectrum import Folded, MainsHum, folded_hz, mains_hum, spectrum


def noise(rate_hz: float, seconds: float, sd: float, seed: int) -> np.ndarray:
    return sd * np.random.default_rng(seed).standard_normal(round(rate_hz * seconds))


def humming(rate_hz: float, seconds: float, hz: float, *heights: float, seed: int = 1) -> np.ndarray:
    """Noise of 10 with sinusoids at the multiples of a frequency."""
    values = noise(rate_hz, seconds, 10.0, seed)
    times = np.arange(values.size) / rate_hz
    for order, height in enumerate(heights, 1):
        values += height * np.sin(2.0 * np.pi * order * hz * times + order)
    return values


def test_density_of_white_noise() -> None:
    """σ² = S·rate/2 (Parseval)."""
    found = spectrum(noise(2000.0, 60.0, 3.0, 1), 2000.0)
    assert np.sqrt(np.mean(np.square(found.density))) == pytest.approx(3.0 / math.sqrt(1000.0), rel=0.02)
    assert (found.hz[0], found.hz[-1]) == (0.5, 999.5)


@pytest.mark.parametrize(("rate_hz", "seconds"), [(7500.0, 5.0), (320.0, 30.0), (2000.0, 10.0)])
@pytest.mark.parametrize("hz", [49.87, 50.0, 60.21])
def test_amplitudes_lie_within_their_uncertainty(rate_hz: float, seconds: float, hz: float) -> None:
    off = []
    for seed in range(25):
        hum = mains_hum(humming(rate_hz, seconds, hz, 4.0, 2.0, seed=seed), rate_hz)
        assert isinstance(hum, MainsHum)
        assert hum.base_hz == pytest.approx(hz, abs=0.1)
        off.append((hum.tones[0].amplitude - 4.0) / hum.tones[0].u_amplitude)
    assert abs(np.mean(off)) < 0.7
    assert np.mean(np.abs(off) < 2.0) >= 0.84


def test_multiples_count() -> None:
    hum = mains_hum(humming(7500.0, 10.0, 50.0, 4.0, 0.0, 3.0), 7500.0)
    assert [tone.clear for tone in hum.tones] == [True, False, True, False, False]
    assert hum.amplitude == pytest.approx(5.0, abs=3.0 * hum.u_amplitude)


def test_noise_is_no_hum_and_its_bound_holds_what_is_hidden_in_it() -> None:
    clear, held = 0, 0
    for seed in range(150):
        hum = mains_hum(humming(2000.0, 4.0, 50.0, 0.3, seed=seed), 2000.0)
        clear += hum.clear
        held += hum.below >= 0.3
    assert clear == 0
    assert held >= 148


@pytest.mark.parametrize(("rate_hz", "place"), [(80.0, 30.0), (82.19, 32.19), (45.0, 5.0), (10.0, 0.0)])
def test_where_50_hz_folds_to(rate_hz: float, place: float) -> None:
    assert folded_hz(50.0, rate_hz) == pytest.approx(place)


def test_a_slow_rate_withholds_hum_and_says_what_stands_where_it_would_be() -> None:
    quiet = mains_hum(noise(82.19, 60.0, 10.0, 1), 82.19)
    assert isinstance(quiet, Folded)
    assert quiet.tones == ()
    assert "50 Hz at 32.2 Hz and 60 Hz at 22.2 Hz" in quiet.reason
    folded = mains_hum(humming(82.19, 60.0, 50.0, 8.0), 82.19)
    assert [round(tone.hz, 1) for tone in folded.tones] == [32.2]
    assert folded.tones[0].amplitude == pytest.approx(8.0, abs=4.0 * folded.tones[0].u_amplitude)


def test_hum_that_folds_onto_the_level_is_nothing_one_could_see() -> None:
    """At 10 S/s 50 and 60 Hz stand still; drift is no hum."""
    drifting = noise(10.0, 60.0, 1.0, 1) + np.arange(600.0)
    assert mains_hum(drifting, 10.0).tones == ()


def test_too_short_is_said() -> None:
    assert "too few for a spectrum" in str(mains_hum(np.zeros(500), 7500.0))
