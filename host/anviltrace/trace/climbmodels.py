"""Models of how the retained torque climbs from blow to blow, and which of them the levels speak for.

Exponential: C(t) = T∞ − (T∞ − T0)·exp(−(t − t0)/τ), a joint that comes closer to an end torque by the same
share in equal times. Square root: C_n = sqrt(C0² + g·n) with g = 2·K·η·E, a joint of the rate K that takes
the same useful energy η·E from every blow (energy balance: C dC = K·η·E dn). Both are fitted to the levels
by least squares and compared by AIC = m·ln(RSS/m) + 2·k, k their parameters and the scatter (Akaike, 1974;
from memory). The difference in AIC takes residuals as independent.

How well an exponential is known hangs on how much of it the blows cover. With 42 blows a second and 1 %
scatter the standard error of T∞ is 24 % at half a time constant, 1.6 % at 1.5 and 0.3 % at 3, so below
1.5 time constants it is refused.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from anviltrace.trace.climb import togetherness

Floats = npt.NDArray[np.float64]

LEAST_CONSTANTS = 1.5
"""Time constants that the levels have to span before an exponential is believed."""
LEAST_LEVELS = 8
_GRID, _FINER = 60, 5
_SHORTEST, _LONGEST = 0.2, 50.0
"""Time constants that are tried, in mean intervals and in lengths of the climb."""
_STEPS = 30
_SETTLED = 1e-9
"""Share of the parameters by which the last step may still change them."""
_TINY = 1e-12


@dataclass(frozen=True, slots=True)
class Exponential:
    """A fitted exponential: ``end`` T∞ and ``start`` T0 (at ``from_s``) in the unit of the levels, τ in s.

    ``_se`` are standard errors, with what residuals go together in them, on ``dof`` degrees of freedom.
    ``residual`` is the root mean square of the residuals, ``constants`` how many τ the levels span.
    """

    end: float
    end_se: float
    start: float
    start_se: float
    tau_s: float
    tau_se_s: float
    dof: float
    residual: float
    constants: float
    aic: float


@dataclass(frozen=True, slots=True)
class SquareRoot:
    """A fitted square root: ``gain`` is g = 2·K·η·E, the rise of C² with each blow, in the unit squared.

    ``start_squared`` is C0² (not negative), ``residual`` the root mean square of the residuals.
    """

    start_squared: float
    gain: float
    gain_se: float
    dof: float
    residual: float
    aic: float


def fit_exponential(time_s: npt.ArrayLike, levels: npt.ArrayLike, from_s: float) -> Exponential | None:
    """The exponential through levels, shape (m,), by least squares; None where none fits.

    ``time_s`` ascends; fewer than :data:`LEAST_LEVELS` levels, or such as do not change, give None. τ is
    sought on ever finer grids, with T∞ and T0 by linear least squares at each.
    """
    times, values = np.asarray(time_s, dtype=np.float64) - from_s, np.asarray(levels, dtype=np.float64)
    if times.size < LEAST_LEVELS or np.ptp(values) <= _TINY * max(1.0, float(np.abs(values).max())):
        return None
    span_s = float(times[-1] - times[0])
    tau_s = _best_tau_s(times, values, _SHORTEST * span_s / times.size, _LONGEST * span_s)
    end, start = _ends(times, values, tau_s)
    decay = np.exp(-times / tau_s)
    residual = values - (end - (end - start) * decay)
    jacobian = np.column_stack((1.0 - decay, decay, -(end - start) * decay * times / tau_s**2))
    errors, dof = _errors(jacobian, residual)
    if errors is None:
        return None
    return Exponential(
        end, errors[0], start, errors[1], tau_s, errors[2], dof,
        float(np.sqrt(np.mean(np.square(residual)))), span_s / tau_s, _aic(residual, 3),
    )  # fmt: skip


def _best_tau_s(times: Floats, values: Floats, shortest_s: float, longest_s: float) -> float:
    """τ of the least sum of squares: on a grid, and on finer ones between the neighbours of the best."""
    for _ in range(_FINER):
        grid = np.geomspace(shortest_s, longest_s, _GRID)
        decay = np.exp(-times / grid[:, np.newaxis])
        decay -= decay.mean(axis=1, keepdims=True)
        explained = np.square(decay @ values) / np.maximum(np.sum(np.square(decay), axis=1), _TINY)
        best = int(explained.argmax())
        shortest_s, longest_s = float(grid[max(best - 1, 0)]), float(grid[min(best + 1, _GRID - 1)])
    return float(grid[best])


def _ends(times: Floats, values: Floats, tau_s: float) -> tuple[float, float]:
    """T∞ and T0 for a given τ, by linear least squares."""
    decay = np.exp(-times / tau_s)
    centred = decay - decay.mean()
    drop = float(centred @ values) / float(centred @ centred)
    end = float(values.mean()) - drop * float(decay.mean())
    return end, end + drop


def fit_square_root(levels: npt.ArrayLike) -> SquareRoot | None:
    """The square root through levels after successive blows, shape (m,); None where none fits.

    Levels before which others fell are none the less counted by one blow each. The start is the line
    through the squares, then Gauss and Newton on the levels; C0² is not let below 0.
    """
    values = np.asarray(levels, dtype=np.float64)
    if values.size < LEAST_LEVELS:
        return None
    number = np.arange(1.0, values.size + 1.0)
    gain, start = np.polyfit(number, values * np.abs(values), 1).tolist()
    parameters = np.array([max(start, 0.0), gain])
    for _ in range(_STEPS):
        model = _root(parameters, number)
        if model is None:
            return None
        jacobian = np.column_stack((0.5 / model, 0.5 * number / model))
        before, parameters = parameters, _step(parameters, jacobian, values - model)
        if np.abs(parameters - before).max() <= _SETTLED * np.abs(parameters).max():
            break
    model = _root(parameters, number)
    if model is None:
        return None
    residual = values - model
    free = np.column_stack((0.5 / model, 0.5 * number / model))[:, 0 if parameters[0] > 0.0 else 1 :]
    errors, dof = _errors(free, residual)
    if errors is None:
        return None
    rms = float(np.sqrt(np.mean(np.square(residual))))
    return SquareRoot(
        float(parameters[0]), float(parameters[1]), float(errors[-1]), dof, rms, _aic(residual, 2)
    )


def _root(parameters: Floats, number: Floats) -> Floats | None:
    """The model; None where it is not positive, as for levels that fall to nothing."""
    squared = parameters[0] + parameters[1] * number
    return np.sqrt(squared) if float(squared.min()) > 0.0 else None


def _step(parameters: Floats, jacobian: Floats, residual: Floats) -> Floats:
    """One step of Gauss and Newton; C0² stays at 0 where it would fall below."""
    moved = parameters + np.linalg.lstsq(jacobian, residual, rcond=None)[0]
    if moved[0] >= 0.0:
        return np.asarray(moved)
    alone = jacobian[:, 1]
    at_zero = residual + jacobian[:, 0] * parameters[0]
    return np.array([0.0, parameters[1] + float(alone @ at_zero) / float(alone @ alone)])


def _errors(jacobian: Floats, residual: Floats) -> tuple[list[float] | None, float]:
    """Standard errors of the parameters, and degrees of freedom; None where they are not told apart.

    Residuals that go together count as fewer (see :func:`anviltrace.trace.climb.straight_line`).
    """
    size, count = jacobian.shape
    together, dof = togetherness(residual, count)
    scale = np.linalg.norm(jacobian, axis=0)
    if not (np.isfinite(scale).all() and (scale > 0.0).all()):
        return None, 0.0
    r = np.linalg.qr(jacobian / scale, mode="r")
    if np.abs(np.diag(r)).min() < _TINY:
        return None, 0.0
    inverse = np.linalg.inv(r)
    variance = float(residual @ residual) / (size - count) * together
    errors = np.sqrt(variance * np.sum(np.square(inverse), axis=1)) / scale
    return errors.tolist(), dof


def _aic(residual: Floats, parameters: int) -> float:
    """Akaike's criterion; the scatter counts as a parameter of its own."""
    mean_square = max(float(np.mean(np.square(residual))), np.finfo(float).tiny)
    return residual.size * math.log(mean_square) + 2.0 * (parameters + 1)
