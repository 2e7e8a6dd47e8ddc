"""Runs whose tops are cut off: lower bounds where that is what they are, else withheld."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from blow_train import Train
from simulated import COUNTS_PER_NM
from struck_facts import facts_of, struck_facts, with_counts

from anviltrace.metrics.evaluate import evaluate
from anviltrace.metrics.facts import RunFacts
from anviltrace.metrics.results import RunResult, Value

LOWER_BOUNDS = ("peak_mean", "net_peak_mean", "peak_max", "maximum_torque", "impulse_mean", "mean_torque")
WITHHELD = ("width_median", "rise_median", "shape_number", "impulse_squared", "peak_impulse", "impulse_rate")
UNTOUCHED = ("retained_final", "blow_rate", "blow_count")


@pytest.fixture(scope="module")
def facts() -> RunFacts:
    return struck_facts(Train(kind="tightening", samples=15.0, blows=40))


def value_of(result: RunResult, name: str, at_s: float | None = None) -> Value:
    value = result.value(name, at_s)
    assert value is not None
    return value


def limited(facts: RunFacts, top: int) -> RunFacts:
    """The same run on a converter that reaches so many counts."""
    low = with_counts(facts, np.minimum(facts.pieces[0][1], top))
    settings = replace(facts.context.settings, saturation_high=top)
    return replace(low, context=replace(low.context, settings=settings))


@pytest.mark.parametrize("by_converter", [True, False], ids=["converter", "amplifier"])
def test_what_is_cut_off_is_a_lower_bound_or_withheld(facts: RunFacts, by_converter: bool) -> None:
    counts, whole = facts.pieces[0][1], evaluate(facts)
    top = int(0.8 * counts.max())
    result = evaluate(limited(facts, top) if by_converter else with_counts(facts, np.minimum(counts, top)))
    for name in LOWER_BOUNDS:
        value, true = value_of(result, name), value_of(whole, name).value
        assert (value.value, true is None) == (None, False)
        assert value.beyond is not None
        assert 0.5 * (true or 0.0) < value.beyond < (true or 0.0)
        assert "the tops of 40 blows are cut off" in value.withheld or "converter's limit" in value.withheld
    for name in WITHHELD:
        value = value_of(result, name)
        assert (value.value, value.beyond) == (None, None)
        assert "the tops of 40 blows are cut off" in value.withheld
    for name in UNTOUCHED:
        assert value_of(result, name).value == pytest.approx(value_of(whole, name).value, rel=1e-3)
    assert result.quality.text.startswith("usable with care")
    assert "peaks: lower bounds" in result.quality.text


def test_few_blows_cut_off_leave_the_usual_width(facts: RunFacts) -> None:
    whole, result = evaluate(facts), evaluate(limited(facts, int(np.sort(facts.pieces[0][1])[-4])))
    assert value_of(result, "width_median").value == pytest.approx(
        value_of(whole, "width_median").value, rel=0.02
    )
    assert value_of(result, "peak_max").beyond is not None


def test_blows_that_are_whole_beside_a_mark_are_stated() -> None:
    through = struck_facts(Train(kind="through", samples=15.0, blows=40), marks_s=(0.1, 0.5))
    highest_s = (int(through.pieces[0][1].argmax()) / 15_000.0) - 0.3
    assert min(abs(highest_s - at_s) for at_s in (0.1, 0.5)) > 0.03
    result = evaluate(limited(through, int(through.pieces[0][1].max()) - 500))
    assert value_of(result, "peak_max").beyond is not None
    for at_s in (0.1, 0.5):
        assert value_of(result, "peak_at", at_s).value is not None


def test_a_level_at_the_limit_of_a_slow_converter_is_a_lower_bound() -> None:
    torque_nm = np.concatenate((np.zeros(400), np.linspace(60.0, 120.0, 600), np.full(600, 118.0)))
    facts = facts_of(torque_nm, 80.0)
    run = replace(facts.context.run, onset_index=400, release_index=1000)
    facts = replace(facts, context=replace(facts.context, run=run))
    whole, result = evaluate(facts), evaluate(limited(facts, round(100.0 * COUNTS_PER_NM)))
    assert value_of(whole, "retained_final").value == pytest.approx(118.0, abs=0.5)
    for name in ("retained_final", "mean_torque"):
        value = value_of(result, name)
        assert value.beyond is not None
        assert value.beyond < (value_of(whole, name).value or 0.0)
    assert "cannot show single blows" in whole.quality.text


def test_levels_below_the_range_withhold_what_counts_from_them(facts: RunFacts) -> None:
    settings = replace(facts.context.settings, saturation_low=0)
    sunk = with_counts(facts, np.maximum(facts.pieces[0][1] - 200_000, 0))
    result = evaluate(replace(sunk, context=replace(sunk.context, settings=settings)))
    for name in ("impulse_mean", "net_peak_mean", "mean_torque"):
        assert "at the converter's limit against the rotation" in value_of(result, name).withheld
