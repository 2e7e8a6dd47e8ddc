"""Least squares: what it finds, and what it refuses."""

from __future__ import annotations

from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from anviltrace.calibration.leastsquares import fit_polynomial
from anviltrace.errors import CalibrationError


@given(
    st.lists(st.integers(-1000, 1000), min_size=4, max_size=12, unique=True),
    st.floats(-1e3, 1e3),
    st.floats(-1e3, 1e3),
)
def test_a_line_without_scatter_is_found(x: list[int], a: float, b: float) -> None:
    fit = fit_polynomial(x, [a + b * value for value in x], (0, 1))
    size = max(abs(a), abs(b) * 1000.0, 1.0)
    assert fit.coefficient(0) == pytest.approx(a, abs=1e-10 * size)
    assert fit.coefficient(1) == pytest.approx(b, abs=1e-10 * size)
    assert fit.residual_sd == pytest.approx(0.0, abs=1e-9 * size)


@given(st.lists(st.tuples(st.integers(1, 400), st.integers(-9, 9)), min_size=3, max_size=9))
def test_slope_through_zero_in_rational_arithmetic(points: list[tuple[int, int]]) -> None:
    """b = Σxy/Σx² and u² = s²/Σx², exactly."""
    x, y = [p[0] for p in points], [7 * p[0] + p[1] for p in points]
    squares = Fraction(sum(v * v for v in x))
    slope = Fraction(sum(v * w for v, w in zip(x, y, strict=True))) / squares
    rest = sum((w - slope * v) ** 2 for v, w in zip(x, y, strict=True)) / (len(x) - 1)
    fit = fit_polynomial(x, y, (1,))
    assert fit.coefficient(1) == pytest.approx(float(slope), rel=1e-12)
    assert fit.u(1) == pytest.approx(float(rest / squares) ** 0.5, rel=1e-7, abs=1e-12)


def test_uncertainty_of_a_prediction_holds_the_covariance() -> None:
    x = np.array([10.0, 11.0, 12.0, 13.0])
    fit = fit_polynomial(x, x + np.array([0.1, -0.1, 0.1, -0.1]), (0, 1))
    without = np.hypot(fit.u(0), 11.5 * fit.u(1))
    assert fit.at(11.5)[1] == pytest.approx(fit.residual_sd / 2.0)
    assert without > 10.0 * fit.at(11.5)[1]


@pytest.mark.parametrize(("x", "y", "powers", "words"), [
    ([1.0, 2.0], [1.0, 2.0], (0, 1), "hang more loads"),
    ([1.0, 2.0, float("nan")], [1.0, 2.0, 3.0], (1,), "not a finite number"),
    ([1.0, 2.0, 3.0], [1.0, float("inf"), 3.0], (1,), "not a finite number"),
    ([5.0, 5.0, 5.0], [1.0, 2.0, 3.0], (0, 1), "do not differ"),
    ([0.0, 0.0, 0.0], [1.0, 2.0, 3.0], (1,), "do not differ"),
])  # fmt: skip
def test_what_cannot_be_fitted(x: list[float], y: list[float], powers: tuple[int, ...], words: str) -> None:
    with pytest.raises(CalibrationError, match=words):
        fit_polynomial(x, y, powers)
