"""Converter filters as chains of boxcars."""

from __future__ import annotations

import numpy as np
import pytest

from anviltrace.metrics.converter import boxcars_s
from anviltrace.virtual.frontend import SincFilter


@pytest.mark.parametrize("averaged", [1, 4, 8])
def test_the_chain_of_an_ads1256_has_the_group_delay_its_script_states(averaged: int) -> None:
    # device/converters/ads1256.py: 82 031 ns for the sinc5 and 16 667 ns for each further output averaged
    stated_s = (82_031 + (averaged - 1) * 50_000 / 3) * 1e-9
    assert sum(boxcars_s("ads1256", 30_000 / averaged, stated_s)) / 2 == pytest.approx(stated_s, rel=0.02)


def test_the_chain_widens_a_pulse_as_the_simulated_converter_does() -> None:
    front = SincFilter(5, 64)
    step_s = 1.0 / (30_000 * 64)
    taps = np.convolve(front.taps, np.repeat([1, 0], [1, 63]).tolist() * 3 + [1.0]) / 4.0
    at = step_s * np.arange(taps.size)
    variance = np.sum(taps * at**2) - np.sum(taps * at) ** 2
    assert sum(length**2 / 12 for length in boxcars_s("ads1256", 7500.0, 0.0)) == pytest.approx(
        variance, rel=1e-3
    )


def test_an_unknown_converter_is_one_boxcar_of_twice_its_delay() -> None:
    assert boxcars_s("something else", 1000.0, 0.0004) == (0.0008,)
    assert boxcars_s("something else", 1000.0, 0.0) == ()


@pytest.mark.parametrize("rate_hz", [20_000.0, 10_000.0, 5_000.0, 2_000.0])
def test_the_boards_own_adc_is_its_average_and_its_rc(rate_hz: float) -> None:
    # device/converters/ownadc.py: half the average's length, and the time constant of the RC
    stated_s = 0.5 * (1.0 / rate_hz - 2e-6) + 27e-6
    average_s, rc_s = boxcars_s("ownadc", rate_hz, stated_s)
    assert average_s == 1.0 / rate_hz
    assert rc_s**2 / 12.0 == pytest.approx(27e-6**2)


@pytest.mark.parametrize("base_s", [0.0005, 0.001, 0.002, 0.005])
def test_the_boxcar_of_an_rc_takes_as_much_off_a_peak_as_the_rc(base_s: float) -> None:
    step_s, constant_s = 1e-7, 27e-6
    pulse = np.sin(np.pi * np.arange(0.0, base_s, step_s) / base_s)
    times_s = np.arange(0.0, 20 * constant_s, step_s)
    rc = np.exp(-times_s / constant_s)
    behind_rc = np.convolve(pulse, rc / rc.sum()).max()
    boxcar = np.ones(round(np.sqrt(12.0) * constant_s / step_s))
    behind_boxcar = np.convolve(pulse, boxcar / boxcar.sum()).max()
    # 1.4 % of a blow of 0.5 ms, 0.36 % of one of 1 ms
    assert 1.0 - behind_boxcar == pytest.approx(1.0 - behind_rc, rel=0.02)
