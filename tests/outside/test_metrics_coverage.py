"""Do the stated intervals hold the truth as often as they say?

The truth behind every stated mass, length and gravity is drawn from the distribution stated for it, a
calibration is made on it and a run is recorded and evaluated (tests/support/simulated.py). With normal
inputs 95 % of the intervals must hold the truth, give or take what 2,000 benches can tell. Where rectangular
inputs dominate, the method of the GUM (JCGM 100:2008, G.2 and G.6) covers more than 95 %: a factor of
1.96 where a lone rectangle needs 1.65.
"""

from __future__ import annotations

import numpy as np
import pytest
from simulated import METRICS, Stated, stated, study

from anviltrace.records import Spread

BENCHES = 2000


@pytest.fixture(scope="module")
def normal() -> np.ndarray:
    # arm to 577 ppm and weights to 289 ppm: half a metre by an EU class II tape (0.5 mm), M3 weights of 20 kg
    # (limits of OIML R 111 and of the EU directive on measures of length, rectangular half widths over √3)
    return study(stated(Spread.NORMAL, mass_u=289e-6, length_u=577e-6), BENCHES)


@pytest.fixture(scope="module")
def rectangular() -> np.ndarray:
    # plates within half a percent of what is cast on them, an arm within 3 mm of 0.8 m
    known: Stated = stated(Spread.RECTANGULAR, mass_u=5e-3 / np.sqrt(3.0), length_u=3.75e-3 / np.sqrt(3.0))
    return study(known, BENCHES // 4)


@pytest.mark.parametrize("name", METRICS)
def test_normal_inputs_are_covered_in_95_of_100(normal: np.ndarray, name: str) -> None:
    error, half_width = normal[:, METRICS.index(name)].T
    assert 0.935 <= np.mean(np.abs(error) <= half_width) <= 0.975


@pytest.mark.parametrize("name", METRICS)
def test_no_interval_passes_by_being_inflated(normal: np.ndarray, name: str) -> None:
    error, half_width = normal[:, METRICS.index(name)].T
    assert np.median(half_width) <= 2.0 * np.quantile(np.abs(error), 0.95)


@pytest.mark.parametrize("side", [0, 1], ids=["upper", "lower"])
def test_one_sided_bounds_of_the_mean_peak(normal: np.ndarray, rectangular: np.ndarray, side: int) -> None:
    """What sampling and filter hide, what noise and the rig's resonance add: the truth lies within them."""
    for benches in (normal, rectangular):
        assert np.mean(benches[:, len(METRICS), side] >= 0.0) >= 0.94


@pytest.mark.parametrize("name", METRICS)
def test_rectangular_inputs_are_covered_at_least(rectangular: np.ndarray, name: str) -> None:
    error, half_width = rectangular[:, METRICS.index(name)].T
    assert np.mean(np.abs(error) <= half_width) >= 0.94
    assert np.median(half_width) <= 2.0 * np.quantile(np.abs(error), 0.95)
