"""Metrics at the handle: vibration by ISO 5349-1, and what each blow does to the hand that holds it."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np

from anviltrace.metrics.besides import AXES, Besides, scale_part
from anviltrace.metrics.results import Numbers, Value
from anviltrace.metrics.uncertainty import Part
from anviltrace.metrics.values import stated, withheld
from anviltrace.records import Quantity
from anviltrace.trace import vibration
from anviltrace.trace.aside import Aside

ROTATION = (Quantity.HANDLE_ROTATION,)
NOT_A_DAY = (
    "from the time the tool struck in this one run, which is no day's exposure: for that give the minutes a "
    "day of each task to `anviltrace exposure`"
)
NO_STANDARD_TEST = (
    "what grip, posture and the mounting of the sensor change is not in the uncertainty (ISO 5349-2 names "
    "20 to 40 %, from memory), and ISO 5349-1 holds for repeated shocks only provisionally"
)
LEAST_BLOWS = 3
_NEGLIGIBLE_REST = 0.05
"""Share of the weighted value: it adds an eighth of a percent."""
_SETTLED_S, _BEFORE_S = 0.1, 0.05
"""Left out after the beginning of a record, where the weighting sets in, and before the tool does."""


def along(quantity: Quantity) -> Callable[[Besides], Value]:
    """The metric of one axis: its weighted r.m.s. over the drive window."""
    name = f"vibration_{quantity[-1]}"

    def value(b: Besides) -> Value:
        if reason := _why_not(b, (quantity,)):
            return withheld(name, reason)
        weighted = _weighted(b, quantity)
        parts, over = _axis_parts(b, quantity, weighted), _added_by_noise(weighted, _at_rest(b, quantity))
        return stated(name, weighted, parts, over_read=over, flags=_flags(b, (quantity,)))

    return value


def total(b: Besides) -> Value:
    """Vibration total value of three axes."""
    return _of_total(b, "vibration_total", lambda a_hv: (a_hv, 1.0), (NO_STANDARD_TEST,))


def points_per_hour(b: Besides) -> Value:
    """Exposure points for an hour of this vibration."""

    def points(a_hv: float) -> tuple[float, float]:
        value = vibration.exposure_points(a_hv, 3600.0)
        return value, 2.0 * value / a_hv

    return _of_total(b, "exposure_points", points, (NOT_A_DAY,))


def time_to_action(b: Besides) -> Value:
    """Minutes of this vibration a day until the action value."""
    return _of_total(b, "time_to_action", _minutes_to(vibration.ACTION_M_PER_S2), (NOT_A_DAY,))


def time_to_limit(b: Besides) -> Value:
    """Minutes of this vibration a day until the limit value."""
    return _of_total(b, "time_to_limit", _minutes_to(vibration.LIMIT_M_PER_S2), (NOT_A_DAY,))


def peak(b: Besides) -> Value:
    """Mean over the blows of the largest acceleration of the handle, 6.3 to 1250 Hz."""
    return _of_kicks(b, "handle_peak", lambda kicks: kicks.peak_m_per_s2)


def swing(b: Besides) -> Value:
    """Mean over the blows of how far the velocity of the handle goes."""
    return _of_kicks(b, "handle_swing", lambda kicks: kicks.swing_m_per_s)


def turn(b: Besides) -> Value:
    """Mean over the blows of the angle by which the handle turns, degrees."""
    name, blows_s = "handle_turn", _blows_s(b)
    record = b.records[Quantity.HANDLE_ROTATION]
    if reason := _why_not_between(b, ROTATION, blows_s, record):
        return withheld(name, reason)

    def of(later_s: float) -> Numbers:
        return np.degrees(vibration.turns(record.shifted(later_s), blows_s))

    return _mean(name, of, record, _clipped(b, ROTATION))


def _minutes_to(a8: float) -> Callable[[float], tuple[float, float]]:
    def minutes(a_hv: float) -> tuple[float, float]:
        value = vibration.time_to(a8, a_hv) / 60.0
        return value, -2.0 * value / a_hv

    return minutes


def _of_total(
    b: Besides, name: str, of: Callable[[float], tuple[float, float]], flags: tuple[str, ...]
) -> Value:
    """A value made from a_hv; ``of`` gives it with its slope over a_hv.

    The axes of one sensor, calibrated in one go, may all be off the same way, and nobody says whether they
    are; so what each leaves open is added without squares.
    """
    if reason := _axis_lacking(b):
        return withheld(name, reason)
    if reason := _why_not(b, AXES):
        return withheld(name, reason)
    axes = {quantity: _weighted(b, quantity) for quantity in AXES}
    a_hv = vibration.total_value(axes.values())
    if a_hv <= 0.0:
        return withheld(name, "the handle did not move")
    value, slope = of(a_hv)
    over = abs(slope) * _added_by_noise(a_hv, vibration.total_value(_at_rest(b, axis) for axis in AXES))
    parts = [
        Part(
            together[0].cause,
            abs(slope) * sum(a / a_hv * part.u for a, part in zip(axes.values(), together, strict=True)),
            common=together[0].common,
        )
        for together in zip(*(_axis_parts(b, quantity, a) for quantity, a in axes.items()), strict=True)
    ]
    up, down = (0.0, over) if slope > 0.0 else (over, 0.0)
    return stated(name, value, parts, under_read=up, over_read=down, flags=(*_flags(b, AXES), *flags))


def _axis_lacking(b: Besides) -> str:
    lacking = [quantity[-1] for quantity in AXES if quantity not in b.records]
    if not lacking:
        return ""
    verb = "was" if len(lacking) == 1 else "were"
    return f"it takes three axes, and {' and '.join(lacking)} {verb} not recorded"


def _at_rest(b: Besides, quantity: Quantity) -> float:
    """Weighted r.m.s. before the tool is switched on: noise, and whatever else shook; 0 if not known."""
    record = b.records[quantity]
    on_s = b.zero_s if b.on_s is None else b.on_s
    first_s, last_s = record.start_s + _SETTLED_S, on_s - _BEFORE_S - record.start_u_s
    return vibration.rms_of(b.weighted[quantity], first_s, last_s) if last_s > first_s else 0.0


def _added_by_noise(weighted: float, rest: float) -> float:
    """By how much what was there at rest makes a weighted value too high; 0 where that is negligible."""
    if rest < _NEGLIGIBLE_REST * weighted:
        return 0.0
    return weighted - math.sqrt(max(0.0, weighted**2 - rest**2))


def _why_not(b: Besides, quantities: tuple[Quantity, ...]) -> str:
    slow = (vibration.why_too_slow(b.records[quantity].rate_hz) for quantity in quantities)
    return next((reason for reason in slow if reason), "") or b.why_not(quantities, b.zero_s, b.end_s)


def _weighted(b: Besides, quantity: Quantity) -> float:
    return vibration.rms_of(b.weighted[quantity], b.zero_s, b.end_s)


def _axis_parts(b: Besides, quantity: Quantity, weighted: float) -> list[Part]:
    """Scale, ends of the drive window that are off by the clock, and what swung while samples are missing."""
    record, off_s = b.weighted[quantity], b.records[quantity].start_u_s
    moved = [
        abs(vibration.rms_of(record.shifted(by_s), b.zero_s, b.end_s) - weighted) for by_s in (off_s, -off_s)
    ]
    return [
        scale_part(record, weighted),
        Part("clock of the side channel", max(moved)),
        Part("missing samples", weighted * record.missing_share(b.zero_s, b.end_s)),
    ]


def _flags(b: Besides, quantities: tuple[Quantity, ...]) -> tuple[str, ...]:
    """Overload, a zero that moved, a slow rate."""
    rate_hz = min(b.records[quantity].rate_hz for quantity in quantities)
    near = (
        f"at {rate_hz:.0f} samples/s the recorder must have cut off all above {rate_hz / 2:.0f} Hz before "
        f"sampling: shocks hold much of it; {vibration.FULL_RATE_HZ:.0f} a second are safer"
    )
    return (
        *_clipped(b, quantities),
        *(_shifted(b, quantity) for quantity in quantities),
        near if rate_hz < vibration.FULL_RATE_HZ else "",
    )


def _clipped(b: Besides, quantities: tuple[Quantity, ...]) -> tuple[str, ...]:
    return b.flags(quantities, b.zero_s, b.end_s)


def _shifted(b: Besides, quantity: Quantity) -> str:
    record = b.records[quantity]
    shift = vibration.offset_shift(record, b.zero_s - record.start_u_s, b.zero_s, b.end_s)
    if not vibration.is_shifted(shift):
        return ""
    return (
        f"the slow part of the {quantity} went {shift:.0f} m/s² from rest, more than a handle can (DC shift):"
        " the weighted value is too high; use a mechanical filter or another sensor"
    )


def _of_kicks(b: Besides, name: str, of: Callable[[vibration.Kicks], Numbers]) -> Value:
    if reason := _axis_lacking(b):
        return withheld(name, reason)
    axes, blows_s = [b.records[quantity] for quantity in AXES], _blows_s(b)
    if len({(axis.rate_hz, axis.start_s, len(axis.values)) for axis in axes}) > 1:
        return withheld(name, "the three axes were not recorded together, at the same times")
    reason = vibration.why_too_slow(axes[0].rate_hz) or _why_not_between(b, AXES, blows_s, axes[0])
    if reason:
        return withheld(name, reason)

    def later(by_s: float) -> Numbers:
        moved, limited = ([axis.shifted(by_s) for axis in one] for one in (axes, b.limited.values()))
        return of(vibration.kicks(moved, limited, blows_s))

    return _mean(name, later, max(axes, key=lambda axis: axis.u_relative), _flags(b, AXES))


def _mean(name: str, of: Callable[[float], Numbers], record: Aside, flags: tuple[str, ...]) -> Value:
    """Mean over the blows; ``of`` gives what each did with the channel taken to be later by so much.

    When a blow was is known on the channel's clock to its uncertainty, and to half a sample.
    """
    found = of(0.0)
    if len(found) < LEAST_BLOWS:
        return withheld(name, f"samples are missing in all but {len(found)} of the intervals between blows")
    mean, off_s = float(found.mean()), math.hypot(record.start_u_s, 0.5 / record.rate_hz / math.sqrt(3.0))
    moved = [float(part.mean()) for part in (of(off_s), of(-off_s)) if len(part)]
    parts = [
        scale_part(record, mean),
        Part("clock of the side channel", max((abs(one - mean) for one in moved), default=0.0)),
        Part("scatter of the blows", float(np.std(found, ddof=1)) / math.sqrt(len(found)), len(found) - 1),
    ]
    return stated(name, mean, parts, flags=flags)


def _blows_s(b: Besides) -> Numbers:
    """Starts of the blows of the drive window, doubles left out; empty without any."""
    if b.a.blows is None:
        return np.empty(0)
    return np.asarray(b.a.blows.start_s[b.a.driven & ~b.a.blows.double])


def _why_not_between(b: Besides, quantities: tuple[Quantity, ...], blows_s: Numbers, record: Aside) -> str:
    if b.a.blows is None:
        return b.a.no_blows
    if len(blows_s) <= LEAST_BLOWS:
        return f"it takes {LEAST_BLOWS + 1} blows in the drive window"
    samples = float(np.median(np.diff(blows_s))) * record.rate_hz
    if samples < vibration.LEAST_PER_INTERVAL:
        return (
            f"{samples:.0f} samples from blow to blow are too few to follow the handle: "
            f"{vibration.LEAST_PER_INTERVAL} are needed"
        )
    if record.start_u_s > 0.25 * float(np.median(np.diff(blows_s))):
        return "its clock is not known well enough to tell which blow did what"
    return b.why_not(quantities, float(blows_s[0]), float(blows_s[-1]))


METRICS: dict[str, tuple[tuple[Quantity, ...], Callable[[Besides], Value]]] = {
    **{f"vibration_{quantity[-1]}": ((quantity,), along(quantity)) for quantity in AXES},
    "vibration_total": (AXES, total),
    "exposure_points": (AXES, points_per_hour),
    "time_to_action": (AXES, time_to_action),
    "time_to_limit": (AXES, time_to_limit),
    "handle_peak": (AXES, peak),
    "handle_swing": (AXES, swing),
    "handle_turn": (ROTATION, turn),
}
"""For each metric the channels without any of which a run has it not, and how it is computed."""
