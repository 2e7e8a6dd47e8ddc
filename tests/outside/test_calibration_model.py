"""Lack of fit, t of the highest term and the inverse against the NIST e-Handbook's load cell (4.6.1)."""

from __future__ import annotations

import math

import numpy as np
import pytest
from published import rows, values
from torque_example import torque_example

from anviltrace.calibration.coverage import coverage_factor
from anviltrace.calibration.leastsquares import fit_polynomial
from anviltrace.calibration.model import LackOfFit, choose_model, inverse_u, invert, lack_of_fit

CELL = values("nist_load_cell.toml")
POINTS = rows("nist_pontius.csv")
LOAD = np.array([row["x"] for row in POINTS])
DEFLECTION = np.array([row["y"] for row in POINTS])


def replicates(powers: tuple[int, ...]) -> LackOfFit:
    found = lack_of_fit(LOAD, DEFLECTION, powers)
    assert found is not None
    return found


def test_the_straight_line_as_printed() -> None:
    wanted = CELL["linear"]
    fit, test = fit_polynomial(LOAD, DEFLECTION, (0, 1)), replicates((0, 1))
    assert fit.coefficients == pytest.approx(wanted["printed_coefficients"], rel=1e-6)
    assert (fit.u(0), fit.u(1)) == pytest.approx(wanted["printed_sd"], rel=1e-4)
    assert fit.residual_sd == pytest.approx(wanted["printed_residual_sd"], rel=5e-6)
    assert fit.residual_sd == pytest.approx(wanted["exact_residual_sd"], rel=1e-11)
    assert test.f == pytest.approx(wanted["printed_f"], rel=5e-6)
    assert test.f == pytest.approx(wanted["exact_f"], rel=5e-8)
    assert (round(test.limit, 2), fit.dof) == (wanted["printed_f_limit"], wanted["dof"])
    assert not test.fits


def test_the_parabola_fits() -> None:
    wanted, test = CELL["quadratic"], replicates((0, 1, 2))
    assert round(test.f, 4) == wanted["printed_f"]
    assert test.f == pytest.approx(wanted["exact_f"], rel=1e-6)
    assert round(test.limit, 2) == wanted["printed_f_limit"]
    assert test.limit == pytest.approx(wanted["exact_f_limit"], rel=1e-7)
    assert test.pure_dof == wanted["pure_error_dof"]
    assert test.pure_sd == pytest.approx(wanted["pure_error_sd"], rel=1e-9)
    assert test.pure_sd**2 * test.pure_dof == pytest.approx(wanted["pure_error_ss"], rel=1e-9)
    assert test.fits


def test_a_cubic_term_is_not_justified() -> None:
    wanted, fit = CELL["cubic"], fit_polynomial(LOAD, DEFLECTION, (0, 1, 2, 3))
    assert fit.coefficient(3) == pytest.approx(wanted["b3"], rel=1e-5)
    assert fit.coefficient(3) / fit.u(3) == pytest.approx(wanted["t_b3"], rel=1e-5)
    assert replicates((0, 1, 2, 3)).f == pytest.approx(wanted["exact_f"], rel=1e-6)
    assert wanted["t_b3"] < coverage_factor(fit.dof)


def test_the_load_from_a_deflection() -> None:
    """The interval of the handbook is that of a new reading; by the derivative it is the same to 1 lb."""
    wanted, fit = CELL["calibration"], fit_polynomial(LOAD, DEFLECTION, (0, 1, 2))
    load = invert(fit, wanted["deflection"], 0.0, float(LOAD.max()))
    u = inverse_u(fit, load)
    half_width = coverage_factor(fit.dof) * u
    assert load == pytest.approx(wanted["load"], rel=1e-11)
    assert u == pytest.approx(wanted["u_load"], rel=1e-7)
    assert coverage_factor(fit.dof) == pytest.approx(wanted["t_975_37"], rel=1e-12)
    assert [round(load), round(load - half_width), round(load + half_width)] == wanted["printed"]
    many = inverse_u(fit, load, readings=10**12)
    assert many == pytest.approx(wanted["u_load_from_curve_only"], rel=1e-6)
    for more in CELL["more"]:
        load = invert(fit, more["deflection"], 0.0, float(LOAD.max()))
        assert (load, inverse_u(fit, load)) == pytest.approx((more["load"], more["u_load"]), rel=1e-7)


def test_correlation_of_the_coefficients_counts() -> None:
    """Without the covariances the uncertainty of the curve would be several times too large."""
    fit = fit_polynomial(LOAD, DEFLECTION, (0, 1, 2))
    load = CELL["calibration"]["load"]
    alone = math.sqrt(sum((fit.u(power) * load**power) ** 2 for power in fit.powers))
    assert alone > 3.0 * fit.at(load)[1]


def test_cubic_of_the_torque_example() -> None:
    """Unweighted least squares through zero on the mean of each load, in rational arithmetic elsewhere."""
    from anviltrace.calibration.quantities import find_quantities

    levels = find_quantities(torque_example()).levels
    torque, mean = [level.torque_nm for level in levels], [level.mean_counts for level in levels]
    wanted = values("torque_example.toml")
    cubic = fit_polynomial(torque, mean, (1, 2, 3)).coefficients
    assert cubic == pytest.approx(wanted["cubic_through_zero"]["coefficients"], rel=1e-10)
    line = fit_polynomial(torque, mean, (1,)).coefficient(1)
    assert line == pytest.approx(wanted["line_through_zero"]["slope"], rel=1e-13)
    assert choose_model(torque_example()).degree in (1, 2, 3)
