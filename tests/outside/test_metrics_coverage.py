"""Do the stated intervals hold the truth as often as they say?

The truth behind every stated mass, length and gravity is drawn from the distribution stated for it, a
calibration is made on it and a run is recorded and evaluated (tests/support/simulated.py). With normal
inputs 93.5 to 97.5 % of the intervals must hold the truth, give or take what so many benches can tell. Where
rectangular inputs dominate, the method of the GUM (JCGM 100:2008, G.2 and G.6) covers more than 95 %: a
factor of 1.96 where a lone rectangle needs 1.65.

That is one kind of run; every metric of the catalogue is judged on records of all kinds (tests/support/
drawn_records.py), a few of them here and 2,000 by tests/benchmarks/metric_coverage.py.
"""

from __future__ import annotations

import metric_study
import numpy as np
import pytest
from metric_study import Judged, line_of
from scipy.stats import binom
from simulated import METRICS, Stated, stated, study

from anviltrace.records import Spread

BENCHES = 1000
RECORDS = 300
BY_CHANCE = 1e-3
"""How seldom a share that is as it should be may fail a test."""


def fewest(count: int, share: float) -> int:
    """So many of ``count`` hold the truth at least, where each does with this probability."""
    return int(binom.ppf(BY_CHANCE, count, share))


def most(count: int, share: float, by_chance: float = BY_CHANCE) -> int:
    """So many at most."""
    return int(binom.ppf(1.0 - by_chance, count, share))


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
    held = int(np.sum(np.abs(error) <= half_width))
    assert fewest(BENCHES, 0.935) <= held <= most(BENCHES, 0.975)


@pytest.mark.parametrize("name", METRICS)
def test_no_interval_passes_by_being_inflated(normal: np.ndarray, name: str) -> None:
    error, half_width = normal[:, METRICS.index(name)].T
    assert np.median(half_width) <= 2.0 * np.quantile(np.abs(error), 0.95)


@pytest.mark.parametrize("side", [0, 1], ids=["upper", "lower"])
def test_one_sided_bounds_of_the_mean_peak(normal: np.ndarray, rectangular: np.ndarray, side: int) -> None:
    """What sampling and filter hide, what noise and the rig's resonance add: the truth lies within them."""
    for benches in (normal, rectangular):
        assert np.sum(benches[:, len(METRICS), side] >= 0.0) >= fewest(len(benches), 0.94)


@pytest.mark.parametrize("name", METRICS)
def test_rectangular_inputs_are_covered_at_least(rectangular: np.ndarray, name: str) -> None:
    error, half_width = rectangular[:, METRICS.index(name)].T
    assert np.sum(np.abs(error) <= half_width) >= fewest(len(error), 0.94)
    assert np.median(half_width) <= 2.0 * np.quantile(np.abs(error), 0.95)


NORMAL = (
    "retained_final", "mean_torque", "impulse_mean", "impulse_squared", "width_median", "interval_sd",
    "interval_cv", "climb_end", "climb_tau", "climb_rms", "plateau_slope", "plateau_percent",
)  # fmt: skip
"""Metrics whose uncertainty is mostly by chance: their intervals hold no more than they say."""
OTHERS = (
    "retained_at", "blow_rate", "blow_rate_mean", "interval_median", "impulse_rate", "time_to", "time_zero",
    "onset", "climb_gain", "climb_linearity", "relaxation",
)  # fmt: skip
"""Those in which something known by its limits leads, or what is stated is the most that may be."""
BOUNDED = (*sorted(metric_study.BOUNDED), "width_median", "time_zero")
COUNTED = ("blow_count", "missed_blows", "double_blows")


@pytest.fixture(scope="module")
def drawn() -> list[Judged]:
    return metric_study.study(range(RECORDS))


def _judged(drawn: list[Judged], name: str) -> np.ndarray:
    """Errors of a metric over its half widths."""
    errors = np.array([row.error for row in drawn if row.name == name and not row.reason])
    return np.abs(errors[np.isfinite(errors)])


@pytest.mark.parametrize("name", [*NORMAL, *OTHERS])
def test_drawn_records_are_held(drawn: list[Judged], name: str) -> None:
    errors = _judged(drawn, name)
    assert errors.size >= 15
    share = 0.935 if name in NORMAL else 0.94
    assert np.sum(errors <= 1.0) >= fewest(errors.size, share)


@pytest.mark.parametrize(
    "name", ["mean_torque", "impulse_mean", "impulse_squared", "interval_sd", "interval_cv"]
)
def test_drawn_records_are_not_held_too_often(drawn: list[Judged], name: str) -> None:
    """Where there are enough of them to tell; by chance one in a hundred."""
    errors = _judged(drawn, name)
    limit = most(errors.size, 0.975, 0.01)
    assert np.sum(errors <= 1.0) <= limit < errors.size


@pytest.mark.parametrize("name", [*NORMAL, *OTHERS])
def test_no_interval_is_twice_as_wide_as_its_error(drawn: list[Judged], name: str) -> None:
    assert np.quantile(_judged(drawn, name), 0.95) >= 0.5


@pytest.mark.parametrize("name", BOUNDED)
@pytest.mark.parametrize("side", ["above", "below"])
def test_bounds_of_drawn_records_hold(drawn: list[Judged], name: str, side: str) -> None:
    reach = np.array([getattr(row, side) for row in drawn if row.name == name])
    reach = reach[np.isfinite(reach)]
    assert reach.size >= 50
    assert np.sum(reach >= 0.0) >= fewest(reach.size, 0.94)


@pytest.mark.parametrize("name", COUNTED)
def test_blows_of_drawn_records_are_counted(drawn: list[Judged], name: str) -> None:
    errors = _judged(drawn, name)
    assert np.sum(errors == 0.0) >= fewest(errors.size, 0.99)


def test_metrics_are_withheld_where_the_definition_says(drawn: list[Judged]) -> None:
    wrong = [(row.name, row.seed, row.told) for row in drawn if row.reason in ("wrong", "lacking")]
    assert not wrong
    for name in ("peak_mean", "mean_torque", "relaxation", "climb_end", "retained_at", "time_to"):
        assert line_of(name, drawn).withheld > 0


def test_another_climb_is_not_called_an_exponential(drawn: list[Judged]) -> None:
    """A square root is refused as an exponential, or the end torque says which model the levels speak for."""
    told = [row for row in drawn if row.name == "climb_end" and row.climb == "root" and row.reason != "wrong"]
    taken = [row for row in told if not row.reason and "exponential" in row.told]
    assert len(told) >= 15
    assert len(taken) <= most(len(told), 0.05)
