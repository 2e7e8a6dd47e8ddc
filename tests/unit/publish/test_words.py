"""Values in words."""

from __future__ import annotations

import pytest
from findings import claim, result, torque

from anviltrace.compare.groups import group_runs
from anviltrace.compare.summary import Summary, summarise_metric
from anviltrace.metrics.results import Value
from anviltrace.publish.words import Shower, best_of_n_note, merged
from anviltrace.units import TorqueUnit


def summary(*values: float, name: str = "retained_final", **more: object) -> Summary:
    (group,) = group_runs([result(place, torque(value, name, **more)) for place, value in enumerate(values)])
    return summarise_metric(group, name)


def test_value_and_uncertainty_are_rounded_together() -> None:
    assert Shower().value(torque(123.456, expanded=0.117)) == "123.46 ± 0.12"
    assert Shower().value(torque(None)) == "withheld"


def test_torque_and_what_contains_it_change_with_the_unit() -> None:
    english = Shower(TorqueUnit.LBF_FT)
    assert english.value(torque(135.58179, expanded=1.3558179)) == "100.0 ± 1.0"
    assert english.unit_of("impulse_mean") == "lbf·ft·s"
    assert (english.unit_of("blow_rate"), english.unit_of("blow_count")) == ("1/s", "")
    assert english.claimed(claim(value=135.58179)) == "100 lbf·ft"
    assert english.claimed(claim("blow rate", 40.0)) == "40 1/s"


def test_spread_is_said_to_no_more_places_than_the_uncertainty_is_worth() -> None:
    close = summary(100.0, 100.0001, common=0.5)
    assert Shower().sd(close) == "<0.1"
    assert Shower().interval(close) == "<0.1"
    wide = summary(100.0, 104.0, 108.0)
    assert Shower().sd(wide) == "4.0"
    assert Shower().interval(wide) == "±9.9"
    assert Shower().bias(wide) == "+3.4"  # 0.846 · 4
    assert Shower().best(wide) == "108"


def test_one_run_has_neither_spread_nor_best() -> None:
    alone = summary(100.0)
    assert [Shower().sd(alone), Shower().interval(alone), Shower().best(alone), Shower().bias(alone)] == [
        "–"
    ] * 4


def test_a_best_is_shown_only_where_more_is_better() -> None:
    assert Shower().best(summary(-3.0, -2.0)) == "–"
    assert Shower().best(summary(38.0, 39.0, name="blow_rate")) == "–"


def test_bounds_are_one_sided_and_rounded_up() -> None:
    found = Value("maximum_torque", 300.0, 2.0, under_read=5.21, over_read=0.1801)
    assert Shower().bounds(found) == ["may be up to 5.3 higher", "may be up to 0.19 lower"]
    assert Shower().short_bounds(found) == "+5.3 −0.19"
    assert Shower().bounds(torque(3.0)) == []


def test_a_bound_that_is_lost_in_the_rounding_is_not_told() -> None:
    found = Value("maximum_torque", 444.9, 1.1, under_read=0.0101, over_read=0.0099)
    assert Shower().short_bounds(found) == "+0.011"


@pytest.mark.parametrize(("n", "factor"), [(2, "0.56"), (5, "1.16")])
def test_the_bias_of_a_best_is_explained(n: int, factor: str) -> None:
    assert f"{factor} s for {n} runs" in best_of_n_note([n])


def test_flags_that_differ_in_their_numbers_only_become_one() -> None:
    assert merged(["3 blows seem missed", "clipped", "17 blows seem missed", "9 blows seem missed"]) == [
        "3 to 17 blows seem missed",
        "clipped",
    ]
    assert merged(["above 322 N·m", "above 322 N·m"]) == ["above 322 N·m"]
    assert merged(["a # sign", "up to 3.1 of 4"]) == ["a # sign", "up to 3.1 of 4"]
    assert merged([]) == []
