"""One metric of one group."""

from __future__ import annotations

import math

import numpy as np
import pytest
from findings import result, torque

from anviltrace.calibration.coverage import coverage_factor
from anviltrace.compare.groups import Group, group_runs
from anviltrace.compare.summary import NO_RUN, ONE_RUN, summarise, summarise_metric
from anviltrace.metrics.results import Value

_DRAWS = 4000


def group(*values: float | None, **more: object) -> Group:
    (made,) = group_runs([result(number, torque(value, **more)) for number, value in enumerate(values)])
    return made


def test_the_uncertainty_of_the_mean_has_both_parts_in_it() -> None:
    found = summarise_metric(group(100.0, 102.0, 104.0), "retained_final")
    assert found.spread is not None
    assert found.spread.interval == pytest.approx(coverage_factor(2) * 2.0 / math.sqrt(3.0))
    u = math.hypot(2.0 / math.sqrt(3.0), 0.5)
    assert found.dof == pytest.approx(u**4 / ((4.0 / 3.0) ** 2 / 2 + 0.5**4 / 50.0))
    assert found.expanded == pytest.approx(coverage_factor(found.dof) * u)


@pytest.mark.parametrize("n", [4, 100, 2500])
def test_what_is_common_does_not_shrink_with_the_number_of_runs(n: int) -> None:
    values = [100.0, 100.2] * (n // 2)
    found = summarise_metric(group(*values, common=3.0, dof=math.inf), "retained_final")
    assert found.expanded is not None
    assert found.expanded >= 1.95 * 3.0


def test_without_a_common_part_only_the_spread_is_left() -> None:
    found = summarise_metric(group(1.0, 2.0, 4.0, 8.0, common=0.0, expanded=0.1), "retained_final")
    assert found.spread is not None
    assert found.expanded == pytest.approx(found.spread.interval)


def test_it_is_never_less_than_what_the_spread_alone_leaves_open() -> None:
    found = summarise_metric(group(479.0, 480.4, common=1.4, expanded=2.8, dof=math.inf), "retained_final")
    assert found.spread is not None
    assert found.expanded == found.spread.interval == pytest.approx(12.706 * 0.7, rel=1e-4)
    assert found.dof == 1


@pytest.mark.parametrize("n", [2, 3])
def test_intervals_of_few_runs_hold(n: int) -> None:
    """Means of ``n`` runs that scatter twice as much as what they have in common, which is off as well."""
    random = np.random.default_rng(5)
    off = random.normal(0.0, 1.0, _DRAWS)
    runs = off[:, np.newaxis] + random.normal(0.0, 2.0 * math.sqrt(n), (_DRAWS, n))
    held = 0
    for values in runs.tolist():
        found = summarise_metric(group(*values, common=1.0, expanded=1.96, dof=math.inf), "retained_final")
        assert found.spread is not None
        assert found.expanded is not None
        held += abs(found.spread.mean) <= found.expanded
    assert held / _DRAWS >= 0.94


def test_runs_that_agree_by_chance_are_no_better_known_than_each_of_them_allows() -> None:
    found = summarise_metric(group(5.0, 5.0, 5.0, 5.0, common=0.0, dof=math.inf), "retained_final")
    assert found.expanded == pytest.approx(2.0 / math.sqrt(4.0))


def test_one_run_has_its_own_uncertainty_and_no_interval_of_spread() -> None:
    found = summarise_metric(group(100.0), "retained_final")
    assert found.spread is not None
    assert (found.n, found.expanded, found.spread.interval) == (1, 2.0, None)
    assert found.why_no_interval == ONE_RUN


def test_a_withheld_metric_says_why_and_how_often() -> None:
    found = summarise_metric(group(None, None), "retained_final")
    assert found.spread is None
    assert found.withheld == (("no zero reading near the run", 2),)
    assert found.why_none == "no zero reading near the run"


def test_runs_that_withhold_are_not_counted_as_values() -> None:
    found = summarise_metric(group(100.0, None, 104.0), "retained_final")
    assert found.spread is not None
    assert (found.n, found.spread.mean, found.withheld[0][1]) == (2, 102.0, 1)


def test_a_metric_that_a_run_lacks_counts_as_withheld() -> None:
    (mixed,) = group_runs([result(1, torque(1.0)), result(2, torque(2.0, name="mean_torque"))])
    found = summarise_metric(mixed, "mean_torque")
    assert (found.n, found.withheld) == (1, (("not computed for this run", 1),))


def test_what_was_recorded_beside_some_runs_only_says_so() -> None:
    (mixed,) = group_runs([result(1, Value("supply_sag", 9.0, 0.5)), result(2, torque(2.0))])
    found = summarise_metric(mixed, "supply_sag")
    assert (found.n, found.withheld) == (1, (("not recorded with this run", 1),))


def test_a_group_of_which_nothing_was_kept_says_so() -> None:
    (empty,) = group_runs([result(1, torque(1.0), verdict="discard")])
    assert summarise(empty) == []
    assert summarise_metric(empty, "retained_final").why_none == NO_RUN


def test_every_metric_and_mark_once_with_the_largest_bounds_and_all_flags() -> None:
    first = result(
        1,
        Value("peak_at", 10.0, 1.0, at_s=0.5, under_read=0.1, flags=("clipped",)),
        Value("peak_at", 12.0, 1.0, at_s=1.0),
    )
    second = result(2, Value("peak_at", 11.0, 1.0, at_s=0.5, under_read=0.3, over_read=0.2, flags=("gap",)))
    (both,) = group_runs([first, second])
    early, late = summarise(both)
    assert [early.key, late.key] == [("peak_at", 0.5), ("peak_at", 1.0)]
    assert (early.under_read, early.over_read, early.flags) == (0.3, 0.2, ("clipped", "gap"))
    assert (early.n, late.n) == (2, 1)


def test_a_run_that_did_not_reach_a_threshold_leaves_no_mean() -> None:
    reached = [result(number, Value("time_to", 1.0 + 0.1 * number, 0.01, at_nm=200.0)) for number in (1, 2)]
    why = "200 N·m not reached within 4.80 s"
    missed = result(3, Value("time_to", None, at_nm=200.0, beyond=4.8, withheld=why))
    (made,) = group_runs([*reached, missed])
    found = summarise_metric(made, "time_to", 200.0)
    assert (found.spread, found.key) == (None, ("time_to", 200.0))
    assert found.withheld == ((why, 1),)
    (without,) = group_runs(reached)
    assert summarise_metric(without, "time_to", 200.0).n == 2
