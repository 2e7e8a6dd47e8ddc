"""Rounding a value together with its uncertainty."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from anviltrace.metrics.figures import bound, last_place, least, rounded, value_with_uncertainty


@pytest.mark.parametrize(
    ("value", "expanded", "text"),
    [
        (12.3416, 0.117, "12.34 ± 0.12"),
        (12.3, 0.0996, "12.30 ± 0.10"),
        (10.0, 1.0, "10.0 ± 1.0"),
        (1234.5, 150.0, "1230 ± 150"),
        (-0.004, 0.12, "0.00 ± 0.12"),
        (0.2178341, 0.00042, "0.21783 ± 0.00042"),
        (417.2, None, "417.2"),
        (39.0, 0.0, "39"),
        (1234567.0, 0.0, "1234567"),
    ],
)
def test_value_and_uncertainty_end_at_the_same_place(value: float, expanded: float | None, text: str) -> None:
    assert value_with_uncertainty(value, expanded) == text


def test_the_end_gauge_of_the_gum_reads_as_printed() -> None:
    # GUM H.1 (JCGM 100:2008): l = 50,000 838 mm with U = 93 nm; 2,92 × 32 nm = 93 nm
    assert value_with_uncertainty(50.000838, 0.000093) == "50.000838 ± 0.000093"


def test_a_bound_is_rounded_up() -> None:
    assert bound(0.02101) == "0.022"
    assert bound(0.021) == "0.021"
    assert bound(0.0) == "0"


@pytest.mark.parametrize("bad", [math.nan, math.inf])
def test_what_is_no_number_is_refused(bad: float) -> None:
    with pytest.raises(ValueError, match="no number"):
        rounded(bad)
    with pytest.raises(ValueError, match="no number"):
        value_with_uncertainty(1.0, bad)


def test_a_negative_uncertainty_is_refused() -> None:
    with pytest.raises(ValueError, match="must be positive"):
        value_with_uncertainty(1.0, -0.1)


@given(st.floats(1e-9, 1e6), st.floats(-1e6, 1e6))
def test_what_is_shown_is_near_what_was_meant(expanded: float, value: float) -> None:
    shown, uncertainty = (float(part) for part in value_with_uncertainty(value, expanded).split(" ± "))
    place = 10.0 ** last_place(expanded)
    assert abs(shown - value) <= 0.5001 * place + 2e-16 * abs(value)
    assert uncertainty == pytest.approx(expanded, rel=0.051)


@given(st.floats(-1e6, 1e6).filter(lambda value: abs(value) > 1e-6))
def test_lower_bounds_are_never_rounded_up(value):
    shown = float(least(value))
    assert shown <= value + 1e-9 * abs(value)
    assert shown >= value - 0.0101 * abs(value)


@pytest.mark.parametrize(
    ("value", "text"), [(334.96, "334"), (4.8, "4.80"), (0.1 + 0.2, "0.300"), (0.0, "0")]
)
def test_a_lower_bound_has_three_digits(value, text):
    assert least(value) == text
