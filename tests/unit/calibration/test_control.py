"""Control charts: limits, signals, and what too few checks leave open."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from anviltrace.calibration.control import ENOUGH, control_chart, control_limits

QUIET = [0.01, -0.02, 0.00, 0.02, -0.01, 0.01, -0.02, 0.01]


def test_limits_by_hand() -> None:
    limits = control_limits([1.0, 3.0, 2.0])
    assert (limits.mean, limits.range_mean) == (2.0, 1.5)
    assert (limits.lower, limits.upper) == pytest.approx((2.0 - 2.66 * 1.5, 2.0 + 2.66 * 1.5), abs=1e-3)
    assert limits.range_upper == pytest.approx(3.267 * 1.5)
    assert limits.holds == pytest.approx(9.7888 * 1.0, rel=1e-4)  # k for 3 values, their s is 1


@pytest.mark.parametrize("values", [[], [1.0]])
def test_no_limits_without_a_range(values: list[float]) -> None:
    with pytest.raises(ValueError, match="needs two"):
        control_limits(values)


def test_nothing_is_no_chart() -> None:
    with pytest.raises(ValueError, match="needs one"):
        control_chart([])


@pytest.mark.parametrize(
    ("earlier", "words"),
    [(0, "0 checks of"), (1, "1 check of"), (2, "limits are provisional"), (7, "7 checks of")],
)
def test_few_checks_judge_nothing_even_of_a_wild_one(earlier: int, words: str) -> None:
    chart = control_chart([*QUIET[:earlier], 99.0])
    assert chart.signals == ()
    assert (chart.limits is None) == (earlier < 2)
    (sentence,) = chart.cannot_tell
    assert words in sentence
    assert ("there are no limits" in sentence) == (earlier < 2)


def test_a_quiet_check_raises_nothing() -> None:
    chart = control_chart([*QUIET, 0.02])
    assert (chart.signals, chart.cannot_tell, chart.earlier) == ((), (), ENOUGH)


def test_the_latest_does_not_widen_its_own_limits() -> None:
    chart = control_chart([*QUIET, 0.5])
    assert chart.limits == control_limits(QUIET)
    assert [signal.split(" the")[0] for signal in chart.signals] == [
        "it lies outside",
        "it moved further from",
    ]


def test_a_jump_within_the_limits_of_values() -> None:
    """From one edge to the other: each value lies inside, the step between them does not."""
    steady = [0.0, 0.1] * 8
    limits = control_limits(steady)
    chart = control_chart([*steady, limits.lower + 0.01, limits.upper - 0.01])
    assert len(chart.signals) == 1
    assert "further" in chart.signals[0]


def test_eight_on_one_side_is_a_drift() -> None:
    spread = [1.0, -1.0] * 10
    chart = control_chart([*spread, *[0.5] * 7, 0.5])
    assert chart.signals == ("the last 8 checks lie on one side of the mean: the rig drifts",)
    assert control_chart([*spread, *[0.5] * 6, 0.5]).signals == ()


@given(st.lists(st.integers(-1000, 1000), min_size=9, max_size=30), st.floats(0.01, 100.0))
def test_the_unit_does_not_matter(values: list[int], factor: float) -> None:
    plain, scaled = control_chart([float(v) for v in values]), control_chart([factor * v for v in values])
    assert plain.limits is not None
    assert scaled.limits is not None
    assert scaled.limits.upper == pytest.approx(factor * plain.limits.upper, rel=1e-9, abs=1e-6)


def test_false_alarms_are_rare() -> None:
    """Steady rigs: three standard deviations from estimated limits alarm in about 1 to 5 % of checks."""
    random = np.random.default_rng(4)
    charts = [control_chart(random.normal(size=21).tolist()) for _ in range(2000)]
    alarms = sum(any("outside" in signal for signal in chart.signals) for chart in charts)
    assert 5 <= alarms <= 60
