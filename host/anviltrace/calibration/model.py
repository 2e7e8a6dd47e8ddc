"""Which polynomial through zero the rising readings follow, and torque from a reading with its uncertainty.

Degrees 1 to 3 are fitted to readings less the zero before their series, each mounting with a slope of its
own, so that what remounting does is not taken for noise. The degree is chosen by lack of fit: the F test of
what the curve leaves over against how replicates differ, and the t of its highest term. R² chooses nothing.
Degree 2 and 3 never extrapolate.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.optimize import brentq
from scipy.special import fdtri

from anviltrace.calibration.coverage import coverage_factor
from anviltrace.calibration.indications import Indication, split, torques_nm
from anviltrace.calibration.leastsquares import Fit, apart, fit_polynomial
from anviltrace.calibration.slope import compare_mountings
from anviltrace.errors import CalibrationError

Numbers = npt.NDArray[np.float64]

SIGNIFICANCE = 0.05
"""Probability that a test of the choice sees a departure where there is none."""
DEGREES = (1, 2, 3)


@dataclass(frozen=True, slots=True)
class LackOfFit:
    """F: what the curve leaves over beyond the replicates' scatter, as a multiple of it.

    Both are variances, each per degree of freedom. ``limit`` is the F that chance exceeds with 5 %
    probability. ``pure_sd`` is the standard deviation of replicates, in the unit of the readings, with
    ``pure_dof`` degrees of freedom.
    """

    f: float
    limit: float
    dof: int
    pure_dof: int
    pure_sd: float

    @property
    def fits(self) -> bool:
        """Whether the curve leaves nothing over that chance does not explain."""
        return self.f <= self.limit


def lack_of_fit(
    x: npt.ArrayLike, y: npt.ArrayLike, powers: tuple[int, ...], mounting: npt.ArrayLike | None = None
) -> LackOfFit | None:
    """Test of ``y`` = polynomial in ``x`` with these powers, arrays of equal length; equal x are replicates.

    With ``mounting`` each has a slope of its own in the curve and among the replicates. None where nothing
    was repeated, or where the curve has as many coefficients as there are different x.

    NIST/SEMATECH e-Handbook of Statistical Methods, 4.4.4.6 and 4.6.1.
    """
    x_values, y_values = np.asarray(x, dtype=np.float64), np.asarray(y, dtype=np.float64)
    beside = np.empty((len(x_values), 0)) if mounting is None else apart(x_values, mounting)
    levels, place = np.unique(x_values, return_inverse=True)
    means = np.eye(len(levels))[place]
    pure_dof = len(x_values) - len(levels) - beside.shape[1]
    dof = len(levels) - len(powers)
    if pure_dof <= 0 or dof <= 0:
        return None
    fit = fit_polynomial(x_values, y_values, powers, beside)
    pure = _squares_left(np.column_stack([means, beside]), y_values)
    left = max(0.0, float(fit.residuals @ fit.residuals) - pure)
    f = left / dof / (pure / pure_dof) if pure > 0.0 else (math.inf if left > 0.0 else 0.0)
    limit = float(fdtri(dof, pure_dof, 1.0 - SIGNIFICANCE))
    return LackOfFit(f, limit, dof, pure_dof, math.sqrt(pure / pure_dof))


def _squares_left(design: Numbers, y: Numbers) -> float:
    """Sum of squares that least squares on ``design`` leaves of ``y``."""
    q, _ = np.linalg.qr(design / np.abs(design).max(axis=0))
    left = y - q @ (q.T @ y)
    return float(left @ left)


@dataclass(frozen=True, slots=True)
class Allowed:
    """The tests of a curve once the loads' uncertainty is allowed for: F with its limit, and t."""

    f: float
    limit: float
    t: float
    t_limit: float

    @property
    def fits(self) -> bool:
        """Whether scatter and loads explain what the curve leaves over."""
        return self.f <= self.limit


def allow_for_loads(
    x: Numbers,
    y: Numbers,
    degree: int,
    mounting: npt.ArrayLike,
    load_covariance: Numbers,
    pure: LackOfFit,
) -> Allowed:
    """Lack of fit and t of the highest term by generalised least squares; arrays of equal length n.

    ``load_covariance``, shape (loads, loads) in the order of rising magnitude, is that of the loads in the
    unit of ``y``; the replicates' scatter comes on top at each reading. What all loads have in common in
    proportion only turns the line, and explains nothing.
    """
    _, place = np.unique(np.abs(x), return_inverse=True)
    beside, means = apart(x, mounting), np.eye(len(load_covariance))[place]
    scatter = max(pure.pure_sd, 1e-9 * float(np.abs(y).max()))
    covariance = load_covariance[np.ix_(place, place)] + scatter**2 * np.eye(len(x))
    lower = np.linalg.cholesky(covariance)
    scale = float(np.abs(x).max())
    columns = [(x / scale) ** power for power in range(1, degree + 1)]
    design = np.linalg.solve(lower, np.column_stack([*columns, beside / scale]))
    saturated = np.linalg.solve(lower, np.column_stack([means, beside / scale]))
    white = np.linalg.solve(lower, y)
    left = max(0.0, _squares_left(design, white) - _squares_left(saturated, white))
    q, r = np.linalg.qr(design)
    inverse = np.linalg.inv(r)
    highest = degree - 1
    t = float((inverse @ (q.T @ white))[highest] / np.linalg.norm(inverse[highest]))
    return Allowed(left / pure.dof, pure.limit, t, coverage_factor(pure.pure_dof))


@dataclass(frozen=True, slots=True)
class Intercept:
    """What a curve with an intercept shows at no torque, with its standard uncertainty, in counts."""

    counts: float
    u_counts: float
    agrees: bool

    @classmethod
    def of(cls, fit: Fit) -> Intercept:
        """That of a fit; it agrees where zero lies in its 95 % interval."""
        counts, u = fit.coefficient(0), fit.u(0)
        return cls(counts, u, abs(counts) <= coverage_factor(fit.dof) * u)


@dataclass(frozen=True, slots=True)
class Curve:
    """A polynomial through zero and how well it does. Torques carry their sign, as do the readings.

    ``t`` is the highest coefficient over its standard uncertainty, beyond ``t_limit`` in 5 % of cases by
    chance. ``allowed`` are the tests that allow for the loads, None where nothing is known of them or nothing
    was repeated; they are then the ones that count. ``intercept`` belongs to the same curve with one, a
    check; None where the loads are too few. ``mounting_sd_relative`` is the standard deviation between
    mountings and ``mounting_u_relative`` what a new one gives a torque, with ``mounting_dof``; None for one
    mounting, which cannot tell.
    """

    degree: int
    fit: Fit
    lack_of_fit: LackOfFit | None
    t: float
    t_limit: float
    allowed: Allowed | None
    intercept: Intercept | None
    monotonic: bool
    highest_nm: float
    mounting_sd_relative: float | None
    mounting_u_relative: float | None
    mounting_dof: int

    @property
    def highest_term_counts(self) -> bool:
        """Whether the highest term is more than chance, scatter and loads together."""
        test = self if self.allowed is None else self.allowed
        return abs(test.t) > test.t_limit

    @property
    def fits(self) -> bool:
        """Whether it leaves over no more than chance, or nothing can tell."""
        test = self.lack_of_fit if self.allowed is None else self.allowed
        return test is None or test.fits

    def counts(self, torque_nm: float) -> float:
        """Net counts at a torque."""
        return self.fit.at(torque_nm)[0]

    def why_withheld(self, net_counts: float) -> str:
        """Why this curve gives no torque for a reading, in words; empty where it does."""
        if not self.monotonic:
            return f"the curve of degree {self.degree} turns back within the hung weights: hang them anew"
        top_counts = self.counts(self.highest_nm)
        if not 0.0 <= net_counts / top_counts <= 1.0:
            return (
                f"{net_counts:.0f} counts are outside what the weights up to {abs(self.highest_nm):.0f} N·m "
                f"showed: a curve of degree {self.degree} is not drawn further; hang more"
            )
        return ""

    def torque_nm(self, net_counts: float) -> float:
        """The torque at which the curve shows these net counts.

        Raises CalibrationError where the curve does not reach: it is never extrapolated.
        """
        if why := self.why_withheld(net_counts):
            raise CalibrationError(why)
        return invert(self.fit, net_counts, 0.0, self.highest_nm)

    def standard_uncertainty_nm(self, torque_nm: float, readings: int = 1) -> float:
        """Of a torque found from the mean of ``readings``, without the reference torques' share.

        Scatter of the readings and covariance of the curve; for a new mounting where several were made.
        """
        remounted_nm = abs(torque_nm) * (self.mounting_u_relative or 0.0)
        return math.hypot(inverse_u(self.fit, torque_nm, readings), remounted_nm)


def invert(fit: Fit, y: float, low: float, high: float) -> float:
    """The x between ``low`` and ``high`` at which a curve that rises or falls throughout is ``y``."""
    ends = fit.at(low)[0], fit.at(high)[0]
    if y in ends:
        return (low, high)[ends.index(y)]
    return float(brentq(lambda x: fit.at(x)[0] - y, low, high, xtol=1e-12 * abs(high - low), rtol=1e-14))


def inverse_u(fit: Fit, x: float, readings: int = 1) -> float:
    """Standard uncertainty of an x found from the mean of ``readings`` new y.

    u²(x) = [s²/p + c(x)ᵀ·V·c(x)] / (dy/dx)², with the whole covariance V of the coefficients.
    """
    slope = sum(power * fit.coefficient(power) * x ** (power - 1) for power in fit.powers if power)
    return math.hypot(fit.residual_sd / math.sqrt(readings), fit.at(x)[1]) / abs(slope)


@dataclass(frozen=True, slots=True)
class Choice:
    """The curves tried, the degree the readings ask for, and why, in words."""

    curves: tuple[Curve, ...]
    degree: int
    why: str

    @property
    def curve(self) -> Curve:
        """The chosen curve."""
        return next(curve for curve in self.curves if curve.degree == self.degree)


def choose_model(read: Sequence[Indication], load_covariance_nm2: Numbers | None = None) -> Choice:
    """The degree that the rising readings ask for.

    ``load_covariance_nm2``, shape (loads, loads) in the order of rising torque, is the covariance of the
    reference torques; None takes them for exact.

    Raises CalibrationError where not even a line can be fitted.
    """
    torque_nm, net, mounting = _rising(read)
    levels = len(np.unique(torque_nm))
    curves = tuple(_curve(degree, torque_nm, net, mounting, load_covariance_nm2) for degree in DEGREES
                   if degree == 1 or _enough(degree, levels, len(net), mounting))  # fmt: skip
    degree, why = _choose(curves)
    return Choice(curves, degree, why)


def _rising(read: Sequence[Indication]) -> tuple[Numbers, Numbers, npt.NDArray[np.int64]]:
    """Signed torque of the load, net counts and mounting of each rising reading."""
    means, sign = torques_nm(read), _sign(read)
    rows = [
        (sign * means[load], counts, series.mounting)
        for series in split(read)
        for load, counts in series.up.items()
    ]
    table = np.array(rows, dtype=np.float64).reshape(-1, 3)
    return table[:, 0], table[:, 1], table[:, 2].astype(np.int64)


def _sign(read: Sequence[Indication]) -> float:
    return math.copysign(1.0, max((one.torque_nm for one in read), key=abs, default=1.0))


def _enough(degree: int, levels: int, readings: int, mounting: npt.NDArray[np.int64]) -> bool:
    """One load and one reading more than the curve needs, with an intercept beside it."""
    return levels > degree and readings > degree + len(np.unique(mounting))


def _curve(
    degree: int,
    torque_nm: Numbers,
    net: Numbers,
    mounting: npt.NDArray[np.int64],
    load_covariance_nm2: Numbers | None,
) -> Curve:
    powers = tuple(range(1, degree + 1))
    beside = apart(torque_nm, mounting)
    fit = fit_polynomial(torque_nm, net, powers, beside)
    enough = _enough(degree, len(np.unique(torque_nm)), len(net), mounting)
    check = fit_polynomial(torque_nm, net, (0, *powers), beside) if enough else None
    mountings = compare_mountings(torque_nm, net, mounting, np.ones(len(net)))
    slope = abs(fit.coefficient(1))
    test, allowed = lack_of_fit(torque_nm, net, powers, mounting), None
    if test is not None and load_covariance_nm2 is not None:
        covariance = slope**2 * load_covariance_nm2
        allowed = allow_for_loads(torque_nm, net, degree, mounting, covariance, test)
    return Curve(
        degree=degree,
        fit=fit,
        lack_of_fit=test,
        t=_ratio(fit.coefficient(degree), fit.u(degree)),
        t_limit=coverage_factor(fit.dof),
        allowed=allowed,
        intercept=None if check is None else Intercept.of(check),
        monotonic=_monotonic(fit, float(torque_nm[np.abs(torque_nm).argmax()])),
        highest_nm=float(torque_nm[np.abs(torque_nm).argmax()]),
        mounting_sd_relative=mountings.spread_counts_per_nm / slope if mountings.dof else None,
        mounting_u_relative=mountings.u_new_counts_per_nm / slope if mountings.dof else None,
        mounting_dof=mountings.dof,
    )


def _ratio(value: float, u: float) -> float:
    return value / u if u > 0.0 else math.copysign(math.inf, value) if value else 0.0


def _monotonic(fit: Fit, highest_nm: float) -> bool:
    """Whether the slope keeps its sign from zero to the highest load: at the ends and where it turns."""
    slopes = np.polynomial.Polynomial([0.0, *fit.coefficients]).deriv()
    turns = [float(root.real) for root in slopes.deriv().roots()] if slopes.degree() > 1 else []
    inside = [turn for turn in turns if 0.0 < turn / highest_nm < 1.0]
    signs = {math.copysign(1.0, float(slopes(at))) for at in (0.0, highest_nm, *inside)}
    return len(signs) == 1


def _choose(curves: Sequence[Curve]) -> tuple[int, str]:
    """Up while the next term is more than chance; past one that is not, only where the curve does not fit."""
    chosen = curves[0]
    if chosen.lack_of_fit is None:
        return 1, (
            "no rising reading was repeated, so nothing tells a bend from chance: a straight line is taken; "
            "a second rising series in one mounting, or more loads, would tell"
        )
    for curve in curves[1:]:
        if curve.degree > chosen.degree + 1 and chosen.fits:
            break
        if curve.highest_term_counts:
            chosen = curve
    return chosen.degree, _why(chosen)


def _why(curve: Curve) -> str:
    if curve.lack_of_fit is None:
        return f"degree {curve.degree}: there are too few loads to tell what it leaves over"
    test = curve.allowed or curve.lack_of_fit
    what = "scatter" if curve.allowed is None else "scatter and the weights' uncertainty"
    term = f"no higher term is more than {what} can show"
    if curve.degree > 1:
        t, limit = (curve.allowed or curve).t, (curve.allowed or curve).t_limit
        term = f"its highest term is more than {what} can show (t {t:.2f}, limit {limit:.2f})"
    left = "no more than that" if test.fits else "MORE than that: no degree up to 3 follows the readings"
    return f"degree {curve.degree}: {term}; it leaves over {left} (F {test.f:.2f}, limit {test.limit:.2f})"
