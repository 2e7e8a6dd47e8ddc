"""Polynomials through measured points by least squares, with full covariance."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from anviltrace.errors import CalibrationError

Numbers = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Fit:
    """y = sum of coefficient · x^power. ``covariance`` is that of ``coefficients``, shape (p, p).

    ``residual_sd`` is in the unit of y, with ``dof`` = points − coefficients degrees of freedom behind it.
    """

    powers: tuple[int, ...]
    coefficients: Numbers
    covariance: Numbers
    residuals: Numbers
    residual_sd: float
    dof: int

    def u(self, power: int) -> float:
        """Standard uncertainty of the coefficient of x^power."""
        place = self.powers.index(power)
        return float(np.sqrt(self.covariance[place, place]))

    def coefficient(self, power: int) -> float:
        """The coefficient of x^power."""
        return float(self.coefficients[self.powers.index(power)])

    def at(self, x: float) -> tuple[float, float]:
        """Value of the curve at ``x`` and its standard uncertainty, covariances included."""
        row = np.array([float(x) ** power for power in self.powers])
        return float(row @ self.coefficients), float(np.sqrt(row @ self.covariance @ row))


def fit_polynomial(
    x: npt.ArrayLike, y: npt.ArrayLike, powers: tuple[int, ...], beside: Numbers | None = None
) -> Fit:
    """Ordinary least squares of ``y`` on the named powers of ``x`` (arrays of equal length n).

    ``(0, 1)`` is a straight line, ``(1,)`` one through zero. ``beside``, shape (n, q), are further columns
    that take up what they explain; their coefficients are not returned, their degrees of freedom are used
    up. Solved by QR on columns scaled to at most 1, never by normal equations.

    Raises CalibrationError for values that are not finite, for no more points than coefficients, and for x
    that cannot tell the coefficients apart.
    """
    x_values, y_values = np.asarray(x, dtype=np.float64), np.asarray(y, dtype=np.float64)
    columns = np.empty((len(x_values), 0)) if beside is None else beside
    wanted, count = len(powers), len(powers) + columns.shape[1]
    _check(x_values, y_values, count)
    scale = float(np.abs(x_values).max()) or 1.0
    widest = np.abs(columns).max(axis=0)
    design = np.column_stack([*((x_values / scale) ** power for power in powers), columns / widest])
    q, r = np.linalg.qr(design)
    if np.abs(np.diag(r)).min() <= 1e-12 * np.abs(np.diag(r)).max():
        raise CalibrationError("the loads do not differ enough for this fit: hang more different loads")
    unscale = np.array([scale**-power for power in powers])
    inverse = np.linalg.solve(r, np.eye(count))
    scaled = inverse @ (q.T @ y_values)
    residuals = y_values - design @ scaled
    dof = len(x_values) - count
    variance = float(residuals @ residuals) / dof
    covariance = variance * (inverse @ inverse.T)[:wanted, :wanted] * np.outer(unscale, unscale)
    return Fit(powers, scaled[:wanted] * unscale, covariance, residuals, variance**0.5, dof)


def apart(x: Numbers, groups: npt.ArrayLike) -> Numbers:
    """Columns that give each group a slope of its own beside the mean slope of all, shape (n, groups − 1).

    Coded so that the deviations of the groups' slopes add up to zero: the coefficient of x itself is then
    the plain mean of the groups' slopes.
    """
    labels = np.asarray(groups)
    *others, last = np.unique(labels).tolist()
    columns = [x * ((labels == one).astype(np.float64) - (labels == last)) for one in others]
    return np.column_stack(columns) if columns else np.empty((len(x), 0))


def _check(x: Numbers, y: Numbers, coefficients: int) -> None:
    if not (np.isfinite(x).all() and np.isfinite(y).all()):
        raise CalibrationError("a load or reading is not a finite number: record the calibration anew")
    if len(x) <= coefficients:
        raise CalibrationError(
            f"{len(x)} readings under load for {coefficients} coefficients of the fit: hang more loads"
        )
