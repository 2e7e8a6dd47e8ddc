"""Least squares against published fits (GUM H.3, NIST StRD Norris and Pontius) and against GTC."""

from __future__ import annotations

import math

import numpy as np
import pytest
from GTC import type_a, ureal
from published import rows, values

from anviltrace.calibration.coverage import coverage_factor
from anviltrace.calibration.leastsquares import Fit, fit_polynomial


def thermometer() -> tuple[np.ndarray, np.ndarray]:
    """GUM H.3: temperatures less the reference temperature of 20 °C, corrections."""
    table = rows("gum_h3.csv")
    return np.array([row["t_degC"] - 20.0 for row in table]), np.array([row["b_degC"] for row in table])


@pytest.fixture
def gum_line() -> Fit:
    return fit_polynomial(*thermometer(), (0, 1))


def test_gum_h3_as_printed(gum_line: Fit) -> None:
    """JCGM 100:2008, H.3.3 and H.3.4: every figure to the digits of the GUM."""
    printed = values("gum_h3.toml")["published"]
    assert round(gum_line.coefficient(0), 4) == printed["y1"]
    assert round(gum_line.u(0), 4) == printed["u_y1"]
    assert round(gum_line.coefficient(1), 5) == printed["y2"]
    assert round(gum_line.u(1), 5) == printed["u_y2"]
    assert round(gum_line.residual_sd, 4) == printed["residual_sd"]
    assert round(gum_line.covariance[0, 1] / gum_line.u(0) / gum_line.u(1), 3) == printed["correlation"]
    assert gum_line.dof == printed["dof"]
    predicted, u = gum_line.at(10.0)
    assert (round(predicted, 4), round(u, 4)) == (printed["b_at_30"], printed["u_b_at_30"])


def test_gum_h3_to_all_digits(gum_line: Fit) -> None:
    """The same figures computed independently in rational arithmetic."""
    exact = values("gum_h3.toml")["exact"]
    assert gum_line.coefficient(0) == pytest.approx(exact["y1"], rel=1e-12)
    assert gum_line.coefficient(1) == pytest.approx(exact["y2"], rel=1e-12)
    assert gum_line.u(0) == pytest.approx(exact["u_y1"], rel=1e-12)
    assert gum_line.u(1) == pytest.approx(exact["u_y2"], rel=1e-12)
    assert gum_line.residual_sd == pytest.approx(exact["residual_sd"], rel=1e-12)
    assert gum_line.at(10.0) == pytest.approx((exact["b_at_30"], exact["u_b_at_30"]), rel=1e-12)


def test_gum_h3_with_an_error_common_to_all_points(gum_line: Fit) -> None:
    """H.3.6 as worked in the documentation of GTC: it goes into the intercept and does not average out."""
    second = values("gum_h3.toml")["common"]
    common = ureal(0.0, second["u_common"])
    intercept = ureal(gum_line.coefficient(0), gum_line.u(0), df=gum_line.dof) + common
    assert intercept.u == pytest.approx(second["u_y1"], rel=1e-12)
    assert intercept.df == pytest.approx(second["dof_y1"], rel=1e-9)
    assert gum_line.u(1) == pytest.approx(second["u_y2"], rel=1e-12)


@pytest.mark.parametrize(("name", "powers", "coefficient_digits", "other_digits"), [
    ("norris", (0, 1), 11.5, 13.0),
    ("pontius", (0, 1, 2), 11.5, 13.0),
])  # fmt: skip
def test_nist_strd(
    name: str, powers: tuple[int, ...], coefficient_digits: float, other_digits: float
) -> None:
    """NIST StRD certified values: 12.1 digits of the coefficients and 13.9 of the rest were reached."""
    certified = values("nist_strd.toml")[name]
    table = rows(f"nist_{name}.csv")
    fit = fit_polynomial([row["x"] for row in table], [row["y"] for row in table], powers)
    assert fit.dof == certified["dof"]
    deviations = np.sqrt(np.diag(fit.covariance))
    for found, wanted, digits in (
        (fit.coefficients, certified["coefficients"], coefficient_digits),
        (deviations, certified["standard_deviations"], other_digits),
        ([fit.residual_sd], [certified["residual_sd"]], other_digits),
    ):
        for value, reference in zip(found, wanted, strict=True):
            assert agreeing_digits(float(value), reference) >= digits


def agreeing_digits(value: float, reference: float) -> float:
    """Log relative error, capped at what a float can hold."""
    return 15.5 if value == reference else -math.log10(abs(value - reference) / abs(reference))


def test_line_against_gtc() -> None:
    """GTC's own straight-line fit gives the same line, uncertainties, correlation and prediction."""
    x, y = thermometer()
    ours, theirs = fit_polynomial(x, y, (0, 1)), type_a.line_fit(x, y)
    intercept, slope = theirs.a_b
    assert ours.coefficient(0) == pytest.approx(intercept.x, rel=1e-12)
    assert ours.coefficient(1) == pytest.approx(slope.x, rel=1e-12)
    assert (ours.u(0), ours.u(1)) == pytest.approx((intercept.u, slope.u), rel=1e-10)
    predicted = intercept + slope * 10.0
    assert ours.at(10.0) == pytest.approx((predicted.x, predicted.u), rel=1e-10)
    assert ours.dof == predicted.df


def test_coverage_factor() -> None:
    """GUM, Table G.2, column 95 %."""
    table = {1: 12.71, 2: 4.30, 3: 3.18, 5: 2.57, 10: 2.23, 20: 2.09, 50: 2.01, 100: 1.98, math.inf: 1.96}
    for degrees, factor in table.items():
        assert math.floor(coverage_factor(degrees) * 100.0 + 0.5) / 100.0 == pytest.approx(factor, abs=0.0051)
