"""1,000 simulated calibrations: intervals hold the truth, in this mounting or in one made anew as it says.

Through the virtual rig's transducer and the real course (tests/support/coverage_study.py). The same at 1,000
for each of eleven workshops: tests/benchmarks/calibration_coverage.py. Beside the intervals stand such as
JCGM 101 draws them, which agree or differ as expected.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from coverage_study import DRAWN, STATEMENTS, WORKSHOPS, Expected, Values, coverage, draw, limit_leads, study
from hungweights import COUNTS_PER_NM, Nature, arm, calibration, ladder, load_steps, masses

from anviltrace.calibration.line import fit_line
from anviltrace.records import Mass

TIMES = {"arm, short course": 500, "weights": 200, "mountings": 150, "hysteresis, short course": 150}
"""A full course costs three times as much as a short one."""
NO_LIMIT_LEADS = ("arm, short course", "weights", "mountings")


def sampling(times: int) -> float:
    """Two standard deviations of a share of 95 % of so many."""
    return 2.0 * math.sqrt(0.95 * 0.05 / times)


@pytest.fixture(scope="module")
def judged() -> dict[str, Values]:
    return {one.name: study(one, TIMES[one.name]) for one in WORKSHOPS if one.name in TIMES}


def test_every_interval_holds_the_truth(judged: dict[str, Values]) -> None:
    for name, values in judged.items():
        for statement, held in zip(STATEMENTS, coverage(values), strict=True):
            assert held.min() >= 0.93 - sampling(len(values)), (name, statement, held)


def test_all_workshops_together_hold_at_least_93_of_100(judged: dict[str, Values]) -> None:
    together = np.concatenate(list(judged.values()))
    assert len(together) == 1000
    assert coverage(together).min() >= 0.93
    assert coverage(np.concatenate([judged[name] for name in NO_LIMIT_LEADS])).min() >= 0.93


def test_no_interval_holds_too_much(judged: dict[str, Values]) -> None:
    """Except where an input known by its limits has more than half the variance."""
    for name, values in judged.items():
        assert limit_leads(values).all() == (name not in NO_LIMIT_LEADS)
        if name in NO_LIMIT_LEADS:
            assert coverage(values).max() <= 0.97 + sampling(len(values)), (name, coverage(values))
    assert coverage(np.concatenate([judged[name] for name in NO_LIMIT_LEADS])).mean() <= 0.97


def test_both_meanings_of_the_truth_are_there() -> None:
    meant = {one.name: one.truth for one in WORKSHOPS if one.name in TIMES}
    assert meant["arm, short course"] == "this mounting"
    assert meant["mountings"] == "a new mounting"


@pytest.mark.parametrize("expected", DRAWN, ids=lambda one: one.workshop.name)
def test_drawn_intervals(expected: Expected) -> None:
    """JCGM 101:2008, clause 8: both ends within δ, or apart in the direction and for the reason stated."""
    found = draw(expected, 100_000)
    if not expected.difference:
        assert all(beside.agrees for beside in found.values())
        return
    beside = found["low"]
    assert not beside.agrees
    ends = zip(beside.stated_nm, beside.drawn_nm, (1.0, -1.0), strict=True)
    assert tuple(inwards * (drawn - stated) > 0.0 for stated, drawn, inwards in ends) == expected.narrower


def test_leaving_out_what_the_loads_share_would_be_noticed() -> None:
    """The scatter of the readings alone would hold the truth far too rarely."""
    hung, lever, made = masses(0.004), arm(0.0006), calibration()
    exact = {mass.id: Mass(mass.id, mass.name, mass.mass_kg, 0.0, mass.spread) for mass in hung}
    random = np.random.default_rng(3)
    held = 0
    for _ in range(100):
        steps = load_steps(ladder(hung), Nature.drawn(hung, lever, made, random))
        line = fit_line(steps, made, exact, arm(0.0)).line
        held += abs(line.torque_nm(COUNTS_PER_NM * 320.0) - 320.0) <= line.expanded_nm(320.0)
    assert held < 0.7 * 100
