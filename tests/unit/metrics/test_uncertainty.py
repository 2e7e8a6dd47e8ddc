"""Parts of an uncertainty and how they add up."""

from __future__ import annotations

import math

import pytest

from anviltrace.calibration.coverage import coverage_factor
from anviltrace.metrics.uncertainty import Part, combine, rectangular


def test_the_end_gauge_of_the_gum() -> None:
    # JCGM 100:2008, H.1.3 to H.1.6: parts in nm with their degrees of freedom; u_c = 32 nm, v_eff = 16.7
    parts = [
        Part("standard", 25.0, 18),
        Part("repeated readings", 5.8, 24),
        Part("comparator, random", 3.9, 5),
        Part("comparator, systematic", 6.7, 8),
        Part("difference in expansion", 2.9, 50),
        Part("difference in temperature", 16.6, 2),
    ]
    total = combine(parts)
    assert total.standard == pytest.approx(31.7, abs=0.1)
    assert total.dof == pytest.approx(16.75, abs=0.1)


@pytest.mark.parametrize(
    ("dof", "factor"), [(1, 12.71), (4, 2.78), (10, 2.23), (50, 2.01), (math.inf, 1.960)]
)
def test_coverage_factors_are_those_of_the_gum(dof: float, factor: float) -> None:
    # JCGM 100:2008, table G.2, column 95 %
    assert coverage_factor(dof) == pytest.approx(factor, abs=0.005)


def test_what_runs_share_is_kept_apart() -> None:
    total = combine([Part("slope", 3.0, common=True), Part("noise", 4.0)])
    assert (total.standard, total.common) == (pytest.approx(5.0), pytest.approx(3.0))
    assert total.expanded == pytest.approx(1.95996 * 5.0, rel=1e-5)


def test_a_rectangle_has_its_standard_deviation() -> None:
    assert rectangular("moved", -1.0).u == pytest.approx(1.0 / math.sqrt(3.0))


def test_without_parts_a_value_is_exact() -> None:
    assert combine([]).expanded == 0.0
