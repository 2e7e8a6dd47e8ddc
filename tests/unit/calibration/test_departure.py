"""What departs from the line, in budgets of the own profile: where it was seen, and never less below."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from hungweights import (
    COUNTS_PER_NM,
    Nature,
    Reads,
    arm,
    calibration,
    ladder,
    load_steps,
    masses,
    straight,
)

from anviltrace.calibration.budget import Basis, Case, make_budget
from anviltrace.calibration.departure import distance_variance_nm2, share_beyond
from anviltrace.calibration.line import Line, fit_line
from anviltrace.calibration.profiles import OWN, find_profile
from anviltrace.calibration.quantities import Level, Quantities

PERCENT = {50.0: 0.1, 100.0: 0.4, 200.0: 0.05}
"""Distance of the readings from their line at each load, rising or falling alike."""


def departure_nm(torque_nm: float, case: Case, beyond: float = 1.0, profile: str = OWN.name) -> float:
    levels = tuple(
        Level(str(nm), nm, 10.0 * nm, line_percent=percent, line_both_percent=percent)
        for nm, percent in PERCENT.items()
    )
    found = Quantities(levels, 10.0, 10.0, {1: 0.0}, 0.0, {})
    basis = Basis(found, 10.0, (), dict.fromkeys(Case, ()), 0.0, math.inf, None, {case: beyond})
    terms = make_budget(basis, torque_nm, case, find_profile(profile)).terms
    (term,) = (one for one in terms if one.symbol.startswith("fa"))
    assert (term.distribution, term.divisor) == ("U-shaped", pytest.approx(math.sqrt(2.0)))
    return term.width


@pytest.mark.parametrize(("torque_nm", "rising_nm", "both_nm"), [
    (10.0, 0.05, 0.05),   # below the lowest load: not less than there
    (50.0, 0.05, 0.05),
    (60.0, 0.4, 0.4),     # between two loads: the larger
    (100.0, 0.4, 0.4),
    (150.0, 0.4, 0.4),
    (200.0, 0.1, 0.4),    # rising as at that load; torque that falls may turn back anywhere below
])  # fmt: skip
def test_where_it_was_seen(torque_nm: float, rising_nm: float, both_nm: float) -> None:
    assert departure_nm(torque_nm, Case.RISING) == pytest.approx(rising_nm)
    assert departure_nm(torque_nm, Case.BOTH) == pytest.approx(both_nm)


@pytest.mark.parametrize("case", Case)
def test_what_the_loads_account_for_is_left_to_them(case: Case) -> None:
    assert departure_nm(100.0, case, beyond=0.25) == pytest.approx(0.1)
    assert departure_nm(100.0, case, beyond=0.25, profile="anviltrace-1") == pytest.approx(0.4)


class TestShareBeyond:
    def test_the_squares_are_less_by_what_is_expected(self) -> None:
        assert share_beyond([3.0, 4.0], [4.0, 5.0]) == pytest.approx(math.sqrt(16.0 / 25.0))
        assert share_beyond([3.0, 4.0], [0.0, 0.0]) == 1.0

    def test_nothing_is_left_where_more_was_expected(self) -> None:
        assert share_beyond([3.0, 4.0], [20.0, 5.0]) == 0.0
        assert share_beyond([0.0, 0.0], [0.0, 0.0]) == 0.0

    def test_variance_of_distances_is_that_of_drawn_loads(self) -> None:
        random, torque_nm = np.random.default_rng(4), np.array([10.0, 60.0, 110.0, 160.0])
        covariance = np.diag([0.01, 0.04, 0.04, 0.09]) + 1e-4 * np.outer(torque_nm, torque_nm)
        drawn = random.multivariate_normal(np.zeros(4), covariance, 50_000)
        off = drawn - np.outer(drawn @ torque_nm / (torque_nm @ torque_nm), torque_nm)
        variance = distance_variance_nm2(torque_nm, covariance, (1,))
        assert variance == pytest.approx(off.var(axis=0), rel=0.03)

    def test_an_error_in_proportion_shows_in_no_distance(self) -> None:
        torque_nm = np.array([10.0, 60.0, 110.0])
        shared = 1e-4 * np.outer(torque_nm, torque_nm)
        assert distance_variance_nm2(torque_nm, shared, (1,)) == pytest.approx(np.zeros(3), abs=1e-9)


HUNG = masses(0.02)
BY_ID = {mass.id: mass for mass in HUNG}


def line(nature: Nature, reads: Reads = straight) -> Line:
    steps = load_steps(ladder(HUNG), nature, reads)
    return fit_line(steps, calibration(), BY_ID, arm()).line


def bent(torque_nm: float) -> float:
    return straight(torque_nm) + COUNTS_PER_NM * 1e-4 * torque_nm**2


def test_wrong_weights_are_not_taken_for_the_transducers_departure() -> None:
    random = np.random.default_rng(7)
    made = [line(Nature.drawn(HUNG, arm(), calibration(), random)) for _ in range(40)]
    assert min(one.residual_nm for one in made) > 0.01
    assert np.mean([one.departure_nm == pytest.approx(0.0, abs=1e-9) for one in made]) > 0.4
    squares = [np.mean([getattr(one, name) ** 2 for one in made]) for name in ("departure_nm", "residual_nm")]
    assert squares[0] < 0.5 * squares[1]


def test_a_bend_far_beyond_the_weights_stays() -> None:
    found = line(Nature.as_stated(HUNG, arm(), calibration()), bent)
    assert 0.95 * found.residual_nm < found.departure_nm < found.residual_nm


def test_what_differs_at_one_load_is_no_weights_doing() -> None:
    """Hysteresis stays whole however little is known of the weights."""
    steps = load_steps(ladder(HUNG), Nature.as_stated(HUNG, arm(), calibration()))
    steps = [
        replace(one, mean_counts=one.mean_counts + COUNTS_PER_NM * {"up": -0.03, "down": 0.03}[one.branch])
        if 1 < one.number < 6 or 6 < one.number < 11
        else one
        for one in steps
    ]
    assert fit_line(steps, calibration(), BY_ID, arm()).line.departure_nm == pytest.approx(0.03, rel=0.1)
