"""Natural frequency and damping ratio of a rig from recorded taps on its socket end.

After a tap the rig rings alone: x(t) = level + e^(−ζωt)·(C·cos ωd·t + D·sin ωd·t) with ωd = ω·√(1 − ζ²).
Least squares fit that to each ring: for a given frequency and decay the other three follow from linear
equations, so only two numbers are searched for. Their standard uncertainties come from the residuals and the
derivatives of all five. The second opinion is the logarithmic decrement, δ = ln(x₀/xₙ)/n from swing to swing,
and ζ = δ/√(4π² + δ²).

What does not ring, rings for too short a time, at several frequencies at once, too close to half the sample
rate, or against the limit of the converter, is refused with the reason in words.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from anviltrace.trace.ring import LEAST_HZ, LEAST_REST, Ring, strongest_ring
from anviltrace.trace.sampling import folded_hz

Floats = npt.NDArray[np.float64]

LEAST_TAPS = 3
"""Taps that a mean and its spread are stated from."""
LEAST_SWINGS = 4.0
"""Swings of the ring that must stand out of the noise."""
LEAST_PER_SWING = 2.5
"""Samples to a swing below which a frequency may be a folded one."""
MOST_UNEXPLAINED = 0.1
"""Share of the ring that the fit may leave over, beside the noise."""
TAP_SD = 20.0
"""A tap departs from the level by this many standard deviations of the noise at least."""
CLOCK_SHARE = 1e-4 / math.sqrt(3.0)
"""How well a board's clock is known, standard uncertainty (100 ppm either way, common practice)."""

_QUIET_S = 0.1
"""Two taps lie further apart than this; what comes sooner is a rebound of the hammer."""
_CONTACT_S = 0.0007
"""A light hammer has left again this long after the apex (tried: 0.2 to 0.5 ms on steel, from memory)."""
_LONGEST_S = 0.5
_FADED_SD = 4.0
_CLEAR_SD = 15.0
"""Swings lower than this have tops that noise picks."""
_LEAST_TOPS = 3
_FOLDS = 6.0
"""A ring is looked at until it has sunk to 4 deviations of the noise, or for 6 times its decay."""
_REBOUND = 1.5
_STARTS = (1.0, 2.0, 4.0, 7.0)
"""Contacts after the apex at which the fit may begin: the first that leaves little over is taken."""
_NOT_ONE = "no decaying sinusoid of one frequency fits it: tap once, cleanly, and let it ring out"
_STEPS = 30
_SMALL = 1e-5


@dataclass(frozen=True, slots=True)
class RungTap:
    """One tap: undamped natural frequency, damping ratio, their standard uncertainties from the fit, and the
    damping ratio by logarithmic decrement. ``swings`` is how many were fitted.
    """

    natural_hz: float
    natural_u_hz: float
    damping_ratio: float
    damping_u: float
    decrement_ratio: float
    swings: float


@dataclass(frozen=True, slots=True)
class RungTaps:
    """The mean of several taps, with standard uncertainties of the mean. ``refused`` says what else came."""

    taps: tuple[RungTap, ...]
    natural_hz: float
    natural_u_hz: float
    damping_ratio: float
    damping_u: float
    decrement_ratio: float
    refused: tuple[str, ...] = ()


def damping_of_decrement(decrement: float) -> float:
    """Damping ratio of a logarithmic decrement per swing, δ/√(4π² + δ²)."""
    return decrement / math.hypot(2.0 * math.pi, decrement)


def ring_of(natural_hz: float, damping_ratio: float, rate_hz: float) -> Ring:
    """The ring as samples show it: damped frequency, folded where it lies above half the rate."""
    damped = natural_hz * math.sqrt(1.0 - damping_ratio**2)
    return Ring(folded_hz(damped, rate_hz), 1.0 / (2.0 * math.pi * natural_hz * damping_ratio))


def find_taps(values: npt.ArrayLike, rate_hz: float, level: float, noise_sd: float) -> list[slice]:
    """Where the taps are: from the first sample that departs from the level to before the next tap.

    ``values``: shape (n,), any unit, ``level`` and ``noise_sd`` those of a quiet stretch in the same unit.
    """
    loud = np.flatnonzero(np.abs(np.asarray(values, dtype=np.float64) - level) > TAP_SD * noise_sd)
    if not loud.size:
        return []
    apart = np.flatnonzero(np.diff(loud) > _QUIET_S * rate_hz) + 1
    starts = [int(loud[k]) for k in (0, *apart)]
    ends = [*starts[1:], np.asarray(values).size]
    before = round(0.001 * rate_hz)
    return [slice(start, end - before) for start, end in zip(starts, ends, strict=True)]


def measure_tap(
    values: npt.ArrayLike, rate_hz: float, noise_sd: float, limits: tuple[float, float] | None = None
) -> RungTap | str:
    """The ring behind one tap, or the reason in words why it tells nothing.

    ``values``: shape (n,), from the start of the tap to before the next, in any unit, ``noise_sd`` in the
    same. ``limits`` are the least and the largest value the converter can give.
    """
    tap = np.asarray(values, dtype=np.float64)
    if limits is not None and ((tap <= limits[0]) | (tap >= limits[1])).any():
        return "it reaches the converter's limit: tap more lightly, or choose a lower gain"
    if tap.size < LEAST_REST:
        return f"only {tap.size} samples follow it: wait longer before the next tap"
    reason = ""
    for contacts in _STARTS:
        found = _measure_from(tap, rate_hz, noise_sd, contacts * _CONTACT_S)
        if not isinstance(found, str):
            return found
        reason = reason or found
    return reason


def combine_taps(measured: Sequence[RungTap | str], least: int = LEAST_TAPS) -> RungTaps | str:
    """The mean of the taps that tell something, or why there are too few of them.

    The uncertainty of the mean is the larger of what the spread says, s/√n, and what the fits say; that of
    the frequency has the clock of the board as well.
    """
    taps = tuple(tap for tap in measured if not isinstance(tap, str))
    refused = tuple(reason for reason in measured if isinstance(reason, str))
    if len(taps) < least:
        why = f": {refused[0]}" if refused else ""
        return f"{len(taps)} of {len(measured)} taps can be used, {least} are needed{why}"
    decrements = [tap.decrement_ratio for tap in taps if math.isfinite(tap.decrement_ratio)]
    if not decrements:
        return "the swings are too low over the noise for their decrement: tap harder"
    hz, hz_u = _mean([tap.natural_hz for tap in taps], [tap.natural_u_hz for tap in taps])
    ratio, ratio_u = _mean([tap.damping_ratio for tap in taps], [tap.damping_u for tap in taps])
    u_hz, decrement = math.hypot(hz_u, CLOCK_SHARE * hz), float(np.mean(decrements))
    return RungTaps(taps, hz, u_hz, ratio, ratio_u, decrement, refused)


def _mean(values: list[float], u: list[float]) -> tuple[float, float]:
    count = len(values)
    spread = float(np.std(values, ddof=1)) / math.sqrt(count) if count > 1 else 0.0
    fitted = math.sqrt(sum(one**2 for one in u)) / count
    return float(np.mean(values)), max(spread, fitted)


def _measure_from(tap: Floats, rate_hz: float, noise_sd: float, contact_s: float) -> RungTap | str:
    """As :func:`measure_tap`, with the fit begun ``contact_s`` after the apex."""
    level = float(np.median(tap[tap.size // 2 :]))
    apex = int(np.abs(tap - level)[: round(0.005 * rate_hz) + 2].argmax())
    first = apex + max(1, round(contact_s * rate_hz))
    rest = tap[first : first + round(_LONGEST_S * rate_hz)]
    rest = rest[: _until(rest - level, rate_hz, noise_sd)]
    if rest.size < LEAST_REST:
        return "nothing rings after it: tap harder, with something hard and light"
    ring = strongest_ring([rest - rest.mean()], rate_hz)
    if ring is None:
        return _NOT_ONE
    rest = rest[: round(_FOLDS * ring.decay_s * rate_hz)]
    swings = rest.size * ring.frequency_hz / rate_hz
    if ring.frequency_hz > rate_hz / LEAST_PER_SWING:
        return (
            f"{ring.frequency_hz:.0f} Hz is too close to half of {rate_hz:g} samples a second to be told from"
            " a folded frequency: record the taps at a higher rate"
        )
    if swings < LEAST_SWINGS:
        return f"only {swings:.1f} swings stand out of the noise, {LEAST_SWINGS:g} are needed: tap harder"
    return _fit(rest, rate_hz, noise_sd, ring, swings)


def _until(departure: Floats, rate_hz: float, noise_sd: float) -> int:
    """Samples until the ring is lost in the noise, or something else happens (a rebound of the hammer)."""
    length = max(4, round(rate_hz / LEAST_HZ))
    blocks = departure.size // length
    if not blocks:
        return departure.size
    tops = np.abs(departure[: blocks * length]).reshape(blocks, length).max(axis=1)
    faded = tops < _FADED_SD * noise_sd
    lowest = np.minimum.accumulate(tops)
    struck = np.concatenate(([False], tops[1:] > _REBOUND * lowest[:-1] + _FADED_SD * noise_sd))
    over = np.flatnonzero(faded | struck)
    return int(over[0]) * length if over.size else departure.size


def _fit(rest: Floats, rate_hz: float, noise_sd: float, ring: Ring, swings: float) -> RungTap | str:
    """Least squares from the first guess ``ring``, or why they tell nothing."""
    turn, decay = 2.0 * math.pi * ring.frequency_hz / rate_hz, 1.0 / (ring.decay_s * rate_hz)
    fitted = _search(rest, turn, decay)
    if fitted is None:
        return _NOT_ONE
    turn, decay, left_sd, u_turn, u_decay = fitted
    rung_sd = float(np.std(rest))
    if left_sd**2 > noise_sd**2 * 1.5**2 + (MOST_UNEXPLAINED * rung_sd) ** 2:
        return (
            f"it rings at more than one frequency ({left_sd / rung_sd:.0%} of it is left beside"
            f" {turn * rate_hz / (2.0 * math.pi):.0f} Hz): tap at another place, or more lightly"
        )
    undamped = math.hypot(turn, decay)
    ratio = decay / undamped
    return RungTap(
        natural_hz=undamped * rate_hz / (2.0 * math.pi),
        natural_u_hz=math.hypot(turn * u_turn, decay * u_decay) / undamped * rate_hz / (2.0 * math.pi),
        damping_ratio=ratio,
        damping_u=math.hypot(turn * u_decay, decay * u_turn) * turn / undamped**3 if undamped else math.nan,
        decrement_ratio=_by_decrement(rest, turn, noise_sd),
        swings=swings,
    )


def _search(rest: Floats, turn: float, decay: float) -> tuple[float, float, float, float, float] | None:
    """Turn and decay per sample, standard deviation of what is left, and u of turn and decay.

    Gauss and Newton on all five numbers, from linear least squares for three of them; None where the steps
    do not become small, or the ring would grow.
    """
    steps = np.arange(rest.size, dtype=np.float64)
    for _ in range(_STEPS):
        jacobian, left = _linear(rest, steps, turn, decay)
        change, *_ = np.linalg.lstsq(jacobian, left, rcond=None)
        turn, decay = turn + float(change[3]), decay + float(change[4])
        if not (0.0 < turn < math.pi and 0.0 < decay < 1.0):
            return None
        if max(abs(change[3]), abs(change[4])) < _SMALL * decay:
            break
    else:
        return None
    jacobian, left = _linear(rest, steps, turn, decay)
    variance = float(left @ left) / max(1, rest.size - 5)
    covariance = variance * np.linalg.pinv(jacobian.T @ jacobian)
    u_turn, u_decay = (math.sqrt(max(0.0, float(covariance[k, k]))) for k in (3, 4))
    return turn, decay, math.sqrt(variance), u_turn, u_decay


def _linear(rest: Floats, steps: Floats, turn: float, decay: float) -> tuple[Floats, Floats]:
    """Derivatives by cosine, sine, level, turn and decay, shape (n, 5), and what the best fit leaves."""
    fading = np.exp(-decay * steps)
    cosine, sine = fading * np.cos(turn * steps), fading * np.sin(turn * steps)
    base = np.column_stack((cosine, sine, np.ones_like(steps)))
    shares, *_ = np.linalg.lstsq(base, rest, rcond=None)
    swing = shares[0] * cosine + shares[1] * sine
    by_turn = steps * (shares[1] * cosine - shares[0] * sine)
    left = rest - swing - shares[2]
    return np.column_stack((base, by_turn, -steps * swing)), np.asarray(left)


def _by_decrement(rest: Floats, turn: float, noise_sd: float) -> float:
    """Damping ratio from the tops of all swings that stand well out of the noise; NaN below three of them.

    The top of a swing is that of a parabola through its largest sample and its neighbours, over the mean of
    what the ring sinks to; the decrement is the slope of their logarithms by the number of the swing.
    """
    departure = rest - float(np.mean(rest[-max(4, round(4.0 * math.pi / turn)) :]))
    inner = departure[1:-1]
    is_top = (inner > departure[:-2]) & (inner >= departure[2:]) & (inner > _CLEAR_SD * noise_sd)
    tops = np.flatnonzero(is_top) + 1
    if tops.size < _LEAST_TOPS:
        return math.nan
    number = np.rint((tops - tops[0]) * turn / (2.0 * math.pi))
    number -= number.mean()
    slope = float(number @ np.log(_top_heights(departure, tops))) / float(number @ number)
    return damping_of_decrement(-slope) if slope < 0.0 else math.nan


def _top_heights(values: Floats, tops: npt.NDArray[np.int64]) -> Floats:
    left, top, right = values[tops - 1], values[tops], values[tops + 1]
    bend = left - 2.0 * top + right
    return np.asarray(top - np.square(left - right) / (8.0 * np.where(bend < 0.0, bend, -np.inf)))
