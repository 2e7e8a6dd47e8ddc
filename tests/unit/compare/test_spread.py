"""Mean, spread, t interval, bias of a best of n."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from anviltrace.calibration.coverage import coverage_factor, effective_dof
from anviltrace.compare.spread import best_of_n_factor, spread

finite = st.floats(-1e6, 1e6)


def test_three_values_by_hand() -> None:
    found = spread([10.0, 12.0, 17.0])
    assert (found.n, found.mean, found.best) == (3, 13.0, 17.0)
    assert found.sd == pytest.approx(math.sqrt(13.0))  # (9 + 1 + 16) / 2
    assert found.interval == pytest.approx(4.302653 * math.sqrt(13.0 / 3.0), rel=1e-6)
    assert found.tolerance == pytest.approx(
        9.7888 * math.sqrt(13.0), rel=1e-4
    )  # ISO 16269-6, exact k for n = 3
    assert found.best_bias == pytest.approx(1.5 / math.sqrt(math.pi) * math.sqrt(13.0))  # c_3 = 3/(2√π)


def test_one_value_has_no_spread() -> None:
    found = spread([5.0])
    assert (found.mean, found.sd, found.interval, found.best_bias) == (5.0, None, None, None)


@pytest.mark.parametrize("values", [[], [1.0, math.nan], [math.inf]])
def test_what_has_no_mean_is_refused(values: list[float]) -> None:
    with pytest.raises(ValueError, match="finite"):
        spread(values)


@given(st.lists(finite, min_size=2, max_size=30), finite)
def test_a_shift_moves_the_mean_only(values: list[float], shift: float) -> None:
    here, there = spread(values), spread([value + shift for value in values])
    assert there.mean == pytest.approx(here.mean + shift, abs=1e-6)
    assert here.sd is not None
    assert there.sd == pytest.approx(here.sd, abs=1e-6)


@given(st.lists(st.tuples(st.floats(0.01, 10.0), st.floats(1.0, 100.0)), min_size=1, max_size=6))
def test_effective_dof_lies_between_the_weakest_part_and_all_together(
    parts: list[tuple[float, float]],
) -> None:
    dofs = [dof for _, dof in parts]
    assert min(dofs) * (1 - 1e-9) <= effective_dof(parts) <= sum(dofs) * (1 + 1e-9)


def test_parts_known_exactly_take_no_dof() -> None:
    assert effective_dof([(1.0, math.inf), (2.0, math.inf)]) == math.inf
    assert effective_dof([(1.0, 4.0), (0.0, 1.0)]) == pytest.approx(4.0)
    assert effective_dof([(0.0, 3.0)]) == math.inf


def test_the_bias_of_a_best_of_n_as_drawn() -> None:
    draws = np.random.default_rng(7).normal(size=(40_000, 6)).max(axis=1)
    assert best_of_n_factor(6) == pytest.approx(draws.mean(), abs=4 * draws.std() / 200)


def test_a_best_of_one_is_no_better_than_the_mean() -> None:
    assert best_of_n_factor(1) == 0.0
    with pytest.raises(ValueError, match="at least 1"):
        best_of_n_factor(0)


def test_the_t_factor_falls_to_the_normal_one() -> None:
    factors = [coverage_factor(dof) for dof in (1, 2, 5, 30, 1e6)]
    assert factors == sorted(factors, reverse=True)
    assert factors[-1] == pytest.approx(coverage_factor(math.inf), rel=1e-5)
