"""How well an exponential climb is known, beside Cramér-Rao bounds computed independently."""

from __future__ import annotations

import numpy as np
import pytest
from published import rows

from anviltrace.trace.climbmodels import LEAST_CONSTANTS, fit_exponential

ROWS = rows("exp_fit_precision.csv")


def _fits(row: dict[str, float], count: int):
    """Fits to exponential truth with the scatter of the table, one level per blow."""
    random = np.random.default_rng(7)
    times = np.arange(int(row["points"])) / row["blows_per_s"] + 1.0 / row["blows_per_s"]
    levels = 1.0 - np.exp(-times) + 0.01 * random.standard_normal((count, times.size))
    return [fit_exponential(times, one, 0.0) for one in levels]


@pytest.mark.parametrize(
    "row", [row for row in ROWS if row["window_over_tau"] >= 1.0],
    ids=lambda row: f"{row['window_over_tau']:g} tau, {row['points']:g}",
)  # fmt: skip
def test_standard_errors_are_those_of_the_bound(row) -> None:
    found = _fits(row, 40)
    for column, errors in (
        ("se_Tinf_%", [fit.end_se for fit in found]),
        ("se_tau_%", [fit.tau_se_s for fit in found]),
        ("se_T0_%_of_Tinf", [fit.start_se for fit in found]),
    ):
        # residuals that happen to go together widen single fits, so half of them lie a little above
        assert 0.85 * row[column] < 100.0 * np.median(errors) < 1.45 * row[column]


@pytest.mark.parametrize(
    "row", [row for row in ROWS if row["window_over_tau"] >= LEAST_CONSTANTS and row["blows_per_s"] == 42.0],
    ids=lambda row: f"{row['window_over_tau']:g} tau",
)  # fmt: skip
def test_fits_scatter_as_the_bound_says_and_hold_the_truth(row) -> None:
    found = _fits(row, 200)
    ends = np.array([fit.end for fit in found])
    taus = np.array([fit.tau_s for fit in found])
    assert 100.0 * ends.std() == pytest.approx(row["se_Tinf_%"], rel=0.2)
    assert 100.0 * taus.std() == pytest.approx(row["se_tau_%"], rel=0.2)
    held = np.abs(ends - 1.0) <= 2.0 * np.array([fit.end_se for fit in found])
    assert held.mean() >= 0.92


def test_half_a_time_constant_says_next_to_nothing() -> None:
    # the bound is 20 to 35 % there, and a fit does not even show how bad it is: so it is refused
    for row in (row for row in ROWS if row["window_over_tau"] == 0.5):
        found = _fits(row, 40)
        assert min(fit.constants for fit in found) < LEAST_CONSTANTS
        assert 100.0 * np.median([abs(fit.end - 1.0) for fit in found]) > 0.3 * row["se_Tinf_%"]
