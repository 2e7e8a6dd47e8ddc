"""Records that begin, end or break off in the middle of a blow, hold a single one, or none in their sense."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from blow_train import Made, Train, make
from struck_facts import facts_of

from anviltrace.metrics.evaluate import evaluate
from anviltrace.metrics.facts import RunFacts
from anviltrace.metrics.results import Grade, RunResult
from anviltrace.records import RigKind

WIDTH_S = 1e-3


def even(**made_from: object) -> Made:
    """Blows that are alike, 25 samples wide."""
    train = Train(samples=25.0, energy_scatter=0.0, interval_scatter=0.0, **made_from)  # type: ignore[arg-type]
    return make(train, np.random.default_rng(1))


def value_of(result: RunResult, name: str) -> float:
    value = result.value(name)
    assert value is not None
    assert value.value is not None, value.withheld
    return value.value


def withheld(result: RunResult, name: str) -> str:
    value = result.value(name)
    assert value is not None
    assert value.value is None
    return value.withheld


def all_finite(result: RunResult) -> bool:
    return all(
        math.isfinite(value.value) and (value.expanded is None or math.isfinite(value.expanded))
        for value in result.values
        if value.value is not None
    )


@pytest.mark.parametrize("share", [-0.3, -0.1, 0.0, 0.3, 0.6, 0.9])
def test_a_record_that_ends_within_a_blow_leaves_it_out_and_says_so(share: float) -> None:
    """``share`` of the base width behind the apex of the last blow."""
    made = even()
    end = round((made.apex_s[-1] + share * WIDTH_S) * made.rate_hz)
    result = evaluate(facts_of(made.torque_nm[:end], made.rate_hz, RigKind.THROUGH))
    assert "a blow is cut by an end of the record or a gap, and left out: 1" in result.flags
    assert result.quality.grade is Grade.CARE
    assert value_of(result, "blow_count") == len(made.apex_s) - 1
    assert value_of(result, "peak_mean") == pytest.approx(np.mean(made.net_nm), rel=2e-3)
    assert value_of(result, "impulse_mean") == pytest.approx(np.mean(made.impulse_nms), rel=2e-3)
    assert all_finite(result)


def test_a_held_rigs_record_that_ends_within_a_blow_has_no_final_torque() -> None:
    made = even(kind="tightening", blows_per_s=5.1, blows=12)
    end = round((made.apex_s[-1] + 0.1 * WIDTH_S) * made.rate_hz)
    result = evaluate(facts_of(made.torque_nm[:end], made.rate_hz))
    assert "ends in the middle of a blow" in withheld(result, "retained_final")


def test_a_blow_without_a_level_is_in_the_uncertainty_of_the_mean_impulse() -> None:
    """On a held rig blows become weaker, so that it matters which of them are left out."""
    made = even(kind="tightening")
    facts, whole = facts_of(made.torque_nm, made.rate_hz), float(np.mean(made.impulse_nms))
    apex, counts = round(made.apex_s[3] * made.rate_hz), facts.pieces[0][1]
    pieces = ((0, counts[: apex + 300]), (apex + 350, counts[apex + 350 :]))
    value = evaluate(replace(facts, pieces=pieces)).value("impulse_mean")
    assert value is not None
    assert value.value is not None
    assert value.expanded is not None
    assert "are left out: 1" in " ".join(value.flags)
    assert 2e-3 * whole < abs(value.value - whole) < value.expanded < 0.1 * whole


@pytest.mark.parametrize(("begin", "end"), [(3, 200), (-200, -5), (-100, 100)])
def test_a_gap_beside_an_apex_takes_its_blow_and_no_other(begin: int, end: int) -> None:
    made = even()
    facts = facts_of(made.torque_nm, made.rate_hz, RigKind.THROUGH)
    apex, counts = round(made.apex_s[20] * made.rate_hz), facts.pieces[0][1]
    pieces = ((0, counts[: apex + begin]), (apex + end, counts[apex + end :]))
    result = evaluate(replace(facts, pieces=pieces))
    assert value_of(result, "blow_count") == len(made.apex_s) - 1
    assert value_of(result, "impulse_mean") == pytest.approx(np.mean(made.impulse_nms), rel=2e-3)
    assert value_of(result, "interval_sd") < 1e-3
    assert all_finite(result)


def test_a_record_that_begins_within_a_blow_does_not_take_it_for_a_level() -> None:
    made = even()
    begin = round(made.apex_s[0] * made.rate_hz)
    result = evaluate(facts_of(made.torque_nm[begin:], made.rate_hz, RigKind.THROUGH))
    assert value_of(result, "blow_count") == len(made.apex_s) - 1
    assert value_of(result, "impulse_mean") == pytest.approx(np.mean(made.impulse_nms), rel=1e-3)


def test_one_blow_has_peak_width_and_impulse_but_no_rate() -> None:
    made = even(blows=1, rest_s=0.1)
    result = evaluate(facts_of(made.torque_nm, made.rate_hz, RigKind.THROUGH, marks_s=(0.5,)))
    assert value_of(result, "blow_count") == 1.0
    assert value_of(result, "peak_mean") == pytest.approx(made.net_nm[0], rel=3e-3)
    assert value_of(result, "impulse_mean") == pytest.approx(made.impulse_nms[0], rel=3e-3)
    assert value_of(result, "width_median") == pytest.approx(1e3 * WIDTH_S / 1.5, rel=0.02)
    for name in ("mean_torque", "blow_rate", "blow_rate_mean", "interval_sd"):
        assert withheld(result, name)
    assert "there is one blow only, so there is no drive window" in result.flags
    assert result.quality.grade is Grade.CARE


def of_a_single_blow(first: int, last: int) -> RunFacts:
    """So many samples before and behind the apex of a blow."""
    made = even(blows=1, rest_s=0.1)
    apex = round(made.apex_s[0] * made.rate_hz)
    return facts_of(made.torque_nm[apex - first : apex + last], made.rate_hz, RigKind.THROUGH)


@pytest.mark.parametrize(
    ("first", "last", "why"),
    [
        (20, 300, "the highest torque comes 0.8 ms after the record begins"),
        (1000, 5, "ends in the middle of one"),
    ],
)
def test_why_a_single_blow_is_not_found(first: int, last: int, why: str) -> None:
    assert why in withheld(evaluate(of_a_single_blow(first, last)), "peak_mean")


@pytest.mark.parametrize("kind", ["tightening", "loosening"])
def test_blows_against_the_rotation_are_told_on_a_held_rig_as_well(kind: str) -> None:
    """Its level goes the same way, so that the record does not lean to one side of its middle."""
    made = even(kind=kind)
    result = evaluate(facts_of(-made.torque_nm, made.rate_hz))
    assert "against the rotation of the plan" in withheld(result, "blow_count")
