from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from anviltrace.virtual.frontend import Converter, ConverterName, SincFilter

ADS = Converter(name=ConverterName.ADS1256, excitation_v=5.0, noise_nv=2000.0, clock_error_ppm=100.0)
HX = Converter(name=ConverterName.HX711, excitation_v=4.3, noise_nv=90.0, rate_hz=80)


@given(st.lists(st.integers(0, 40), min_size=1, max_size=8))
def test_any_chopping_gives_the_same_values(lengths):
    signal = np.random.default_rng(1).standard_normal(8 * sum(lengths))
    whole = SincFilter(5, 8).push(signal)
    chopped, parts, begin = SincFilter(5, 8), [], 0
    for length in lengths:
        parts.append(chopped.push(signal[8 * begin : 8 * (begin + length)]))
        begin += length
    np.testing.assert_allclose(np.concatenate(parts), whole, atol=1e-12)


def test_agrees_with_a_plain_convolution():
    signal = np.random.default_rng(2).standard_normal(800)
    sinc = SincFilter(5, 8)
    expected = np.convolve(signal, sinc.taps)[7:800:8]
    np.testing.assert_allclose(sinc.push(signal), expected, atol=1e-12)


def test_weights_are_symmetric_and_sum_to_one():
    for order, decimation in ((5, 8), (4, 600)):
        taps = SincFilter(order, decimation).taps
        assert taps.sum() == pytest.approx(1.0)
        np.testing.assert_allclose(taps, taps[::-1], atol=1e-15)


def test_settles_at_a_level_at_once_when_told_so():
    sinc = SincFilter(5, 8)
    sinc.settle(3.25)
    np.testing.assert_allclose(sinc.push(np.full(80, 3.25)), 3.25, rtol=1e-12)


def test_the_area_of_a_pulse_is_kept():
    signal = np.zeros(8 * 60)
    signal[100:130] = np.hanning(30)
    assert 8.0 * SincFilter(5, 8).push(signal).sum() == pytest.approx(signal.sum(), rel=1e-4)


def test_clock_error_moves_the_rate():
    assert ADS.front_rate_hz == pytest.approx(30_003.0)
    assert HX.front_rate_hz == 80.0


def test_counts_of_the_ads1256_are_100_pv_and_follow_excitation_and_reference():
    assert ADS.counts_per_mv_per_v == pytest.approx(5e-3 / 100e-12)
    low = Converter(name=ConverterName.ADS1256, excitation_v=5.0, reference_v=2.475)
    assert low.counts_per_mv_per_v == pytest.approx(ADS.counts_per_mv_per_v / 0.99)
    assert ADS.noise_counts == pytest.approx(2000e-9 / 100e-12)


def test_the_nau7802_renders_its_fastest_rate_and_divides_by_its_excitation():
    converter = Converter(name=ConverterName.NAU7802, excitation_v=3.0, clock_error_ppm=1000.0)
    assert converter.front_rate_hz == pytest.approx(320.32)
    assert converter.decimation == 152  # 48 kHz, in strides of 8
    assert converter.counts_per_mv_per_v == pytest.approx(1e-3 / 10e-12)
    assert converter.filter().order == 4


def test_the_ads1220_settles_within_one_conversion_of_2121_clock_periods():
    converter = Converter(name=ConverterName.ADS1220, excitation_v=3.3)
    span_s = converter.filter().order / converter.front_rate_hz
    assert span_s == pytest.approx(2121 / 4.096e6)
    assert converter.counts_per_mv_per_v == pytest.approx(1e-3 / 10e-12)


def test_counts_of_the_hx711_are_10_pv_per_v_whatever_the_excitation():
    assert HX.counts_per_mv_per_v == pytest.approx(1e-3 / 10e-12)
    assert HX.noise_counts == pytest.approx(90e-9 / 4.3 / 10e-12)


def test_faults_on_purpose_steps_and_stale_values():
    random = np.random.default_rng(3)
    counts = 100.0 * random.standard_normal(20_000)
    sound = Converter(name=ConverterName.HX711, excitation_v=5.0, rate_hz=80)
    assert sound.spoil(counts, 0.0, random) is counts
    stepped = Converter(name=ConverterName.HX711, excitation_v=5.0, rate_hz=80, step_nv=2.0)
    steps = np.unique(stepped.spoil(counts, 0.0, random)) / 40.0  # 2 nV of 5 V are 0.4 nV/V: 40 counts
    np.testing.assert_allclose(steps, np.rint(steps), atol=1e-9)
    stale = Converter(name=ConverterName.HX711, excitation_v=5.0, rate_hz=80, stale_share=0.25)
    spoilt = stale.spoil(counts, 7.0, random)
    assert np.mean(np.diff(spoilt) == 0.0) == pytest.approx(0.25, abs=0.02)
    assert set(spoilt.tolist()) <= {7.0, *counts.tolist()}
