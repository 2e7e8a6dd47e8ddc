"""Indicative classes by both decision rules."""

from __future__ import annotations

import pytest

from anviltrace.calibration.budget import Case
from anviltrace.calibration.classes import indicate
from anviltrace.calibration.conformity import RULE_NAMES, DecisionRule, find_rule
from anviltrace.calibration.quantities import Level, Quantities
from anviltrace.cli import calibration_numbers


def found(repeatability: float, resolution_counts: float = 1.0) -> Quantities:
    """One load of 1000 counts that keeps class 0.05 by far but for b'."""
    level = Level("load", 100.0, 1000.0, repeatability, 0.001, 0.001, 0.001, 0.001, 0.001, 0.001)
    return Quantities((level,), 10.0, 10.0, {1: 0.001}, resolution_counts, {})


def test_the_guard_band_asks_for_the_next_class() -> None:
    """r = 1 count of 1000: u(b') = 0.1 %/√3 = 0.058 %, so 0.4 % keeps 0.5 % of class 1 only without U."""
    simple = indicate(found(0.4), Case.BOTH, None)
    guarded = indicate(found(0.4), Case.BOTH, None, DecisionRule.GUARDED)
    assert (simple.by_quantity["b'"], guarded.by_quantity["b'"]) == ("1", "2")
    assert (simple.rule, guarded.rule) == (DecisionRule.SIMPLE, DecisionRule.GUARDED)
    assert simple.conform["b'"] == pytest.approx(0.9584, abs=5e-4)  # Φ(0.1/0.0577)
    assert guarded.conform["b'"] > 0.9999


def test_readings_known_exactly_need_no_guard_band() -> None:
    for rule in DecisionRule:
        verdict = indicate(found(0.25, 0.0), Case.RISING, 0.04, rule)
        assert (verdict.overall, verdict.why_none) == ("0.5", "")
        assert verdict.by_quantity["W"] == "0.2"


def test_what_the_weights_leave_open_counts_for_the_departure_only() -> None:
    sure = indicate(found(0.02, 0.0), Case.RISING, None, DecisionRule.GUARDED, [0.0])
    unsure = indicate(found(0.02, 0.0), Case.RISING, None, DecisionRule.GUARDED, [0.3])
    assert (sure.by_quantity["fa"], unsure.by_quantity["fa"]) == ("0.05", "2")
    assert sure.by_quantity["b'"] == unsure.by_quantity["b'"] == "0.05"


def test_every_quantity_says_how_sure_it_is() -> None:
    said = indicate(found(0.4), Case.BOTH, 0.04).each()
    assert said[0] == "b' 1 (0.958)"
    assert "h 0.05 (0.859)" in said  # Φ((0.063 − 0.001)/0.0577)
    assert "W 0.2" in said


def test_rules_are_found_by_their_names() -> None:
    assert RULE_NAMES == calibration_numbers.RULE_NAMES
    assert [find_rule(name) for name in RULE_NAMES] == list(DecisionRule)
