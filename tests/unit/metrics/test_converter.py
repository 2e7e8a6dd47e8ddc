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
