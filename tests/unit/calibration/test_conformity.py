"""Decision rules and the probability of conformity."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from anviltrace.calibration.conformity import DecisionRule, Limits, false_acceptance


@pytest.mark.parametrize(("value", "simple", "guarded"), [
    (0.79, True, True), (0.81, True, False), (1.0, True, False), (1.01, False, False),
])  # fmt: skip
def test_an_upper_limit(value: float, simple: bool, guarded: bool) -> None:
    limits = Limits(upper=1.0)
    assert limits.accepts(value, 0.1, DecisionRule.SIMPLE) is simple
    assert limits.accepts(value, 0.1, DecisionRule.GUARDED) is guarded


def test_both_limits() -> None:
    limits = Limits(-1.0, 1.0)
    assert not limits.accepts(-0.9, 0.1, DecisionRule.GUARDED)
    assert limits.accepts(0.0, 0.4, DecisionRule.GUARDED)
    assert not limits.accepts(0.0, 0.6, DecisionRule.GUARDED), "the guard bands leave nothing between them"


def test_an_exact_value_keeps_its_limit_or_does_not() -> None:
    assert Limits(upper=1.0).probability(1.0, 0.0) == 1.0
    assert Limits(upper=1.0).probability(1.1, 0.0) == 0.0


@given(st.floats(-2.0, 2.0), st.floats(0.01, 1.0))
def test_what_the_guard_band_accepts_is_rarely_wrong(value: float, u: float) -> None:
    limits = Limits(upper=1.0)
    probability = limits.probability(value, u)
    assert 0.0 <= probability <= 1.0
    if limits.accepts(value, u, DecisionRule.GUARDED):
        assert 1.0 - probability <= false_acceptance(2.0) + 1e-12
    if limits.accepts(value, u, DecisionRule.SIMPLE):
        assert probability >= 0.5


@given(st.floats(-2.0, 2.0), st.floats(0.01, 1.0))
def test_one_side_and_the_other_make_one(value: float, u: float) -> None:
    below, above = Limits(upper=0.5).probability(value, u), Limits(lower=0.5).probability(value, u)
    assert below + above == pytest.approx(1.0)
