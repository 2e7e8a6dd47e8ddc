"""Metrics of what feeds the tool. Their channels are there; what else lacks is said."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np

from anviltrace.metrics.besides import Besides, parts_of, scale_part, zero_part
from anviltrace.metrics.results import Value
from anviltrace.metrics.uncertainty import Part, rectangular
from anviltrace.metrics.values import stated, withheld
from anviltrace.records import Quantity, Start
from anviltrace.trace import supply
from anviltrace.trace.supply import Estimate, Resistance

VOLTS, AMPERES = (Quantity.SUPPLY_VOLTAGE,), (Quantity.SUPPLY_CURRENT,)
BOTH = (*VOLTS, *AMPERES)
J_PER_WH = 3600.0
_BEGINS_LATE = (
    "the record begins too late to show the tool being switched on, or nothing in it changes then: it takes "
    "a tenth of a second before that"
)
_SUDDEN_S = 0.02
"""A tool takes longer than this from being switched on to its first blow (our rule)."""
_FLOWED_ON = "the current still flowed when its record ended, so this is a lower bound"


def open_voltage(b: Besides) -> Value:
    """Voltage before the tool is switched on."""
    name, found = "supply_open", _open(b)
    if isinstance(found, str):
        return withheld(name, found)
    parts = [*parts_of(found), scale_part(b.volts, found.value), zero_part(b.volts)]
    flags = b.flags(VOLTS, b.volts.start_s, b.zero_s if b.on_s is None else b.on_s)
    return stated(name, found.value, parts, flags=(_sudden(b), *flags))


def loaded_voltage(b: Besides) -> Value:
    """Median voltage over the drive window."""
    name = "supply_loaded"
    if reason := b.why_not(VOLTS, b.zero_s, b.end_s):
        return withheld(name, reason)
    found = supply.loaded(b.volts, b.zero_s, b.end_s)
    parts = [*parts_of(found), scale_part(b.volts, found.value), zero_part(b.volts)]
    return stated(name, found.value, parts, flags=b.flags(VOLTS, b.zero_s, b.end_s))


def lowest_voltage(b: Besides) -> Value:
    """Lowest voltage from switching on to the end of the drive window."""
    name, on_s = "supply_lowest", b.zero_s if b.on_s is None else b.on_s
    if reason := b.why_not(VOLTS, on_s, b.end_s):
        return withheld(name, reason)
    found = supply.lowest(b.volts, on_s, b.end_s)
    parts = [Part("noise", found.u_noise), scale_part(b.volts, found.value), zero_part(b.volts)]
    late = "" if b.on_s is not None else "from time zero on: " + _BEGINS_LATE
    flags = (late, *b.flags(VOLTS, on_s, b.end_s))
    return stated(name, found.value, parts, under_read=found.pulled, flags=flags)


def sag(b: Besides) -> Value:
    """Fall of the loaded voltage under the open-circuit one, percent; the scale cancels."""
    name, quiet = "supply_sag", _open(b)
    if isinstance(quiet, str):
        return withheld(name, quiet)
    if reason := b.why_not(VOLTS, b.zero_s, b.end_s):
        return withheld(name, reason)
    under = supply.loaded(b.volts, b.zero_s, b.end_s)
    share = 1.0 - under.value / quiet.value
    parts = [
        *parts_of(under, 100.0 / quiet.value),
        *parts_of(quiet, 100.0 * under.value / quiet.value**2),
        zero_part(b.volts, 100.0 * share / quiet.value),
    ]
    flags = (_sudden(b), *b.flags(VOLTS, b.volts.start_s, b.end_s))
    return stated(name, 100.0 * share, parts, flags=flags)


def inner_resistance(b: Besides) -> Value:
    """Slope of voltage over current, milliohm."""
    name = "supply_resistance"
    if b.on_s is None:
        return withheld(name, _BEGINS_LATE)
    if reason := b.why_not(BOTH, b.on_s, b.end_s):
        return withheld(name, reason)
    found = supply.resistance(b.volts, b.amperes, b.on_s, b.end_s)
    if not isinstance(found, Resistance):
        return withheld(name, found)
    milliohm = 1e3 * found.ohm
    parts = [
        Part("scatter around the line", 1e3 * found.u_ohm, found.dof),
        Part("clock of the side channel", 1e3 * found.moved_by_clock),
        scale_part(b.volts, milliohm),
        scale_part(b.amperes, milliohm),
        rectangular("noise of the current", milliohm * found.pulled),
    ]
    return stated(name, milliohm, parts, flags=b.flags(BOTH, b.on_s, b.end_s))


def mean_current(b: Besides) -> Value:
    """Time mean of the current over the drive window."""
    name = "current_mean"
    if reason := b.why_not(AMPERES, b.zero_s, b.end_s):
        return withheld(name, reason)
    found = supply.mean_of(b.amperes, b.zero_s, b.end_s)
    parts = [*parts_of(found), scale_part(b.amperes, found.value), zero_part(b.amperes)]
    return stated(name, found.value, parts, flags=b.flags(AMPERES, b.zero_s, b.end_s))


def peak_current(b: Besides) -> Value:
    """Largest current from switching on to the end of the drive window."""
    name, on_s = "current_peak", b.zero_s if b.on_s is None else b.on_s
    if reason := b.why_not(AMPERES, on_s, b.end_s):
        return withheld(name, reason)
    found = supply.highest(b.amperes, on_s, b.end_s)
    parts = [Part("noise", found.u_noise), scale_part(b.amperes, found.value), zero_part(b.amperes)]
    late = "" if b.on_s is not None else "from time zero on: " + _BEGINS_LATE
    flags = (late, *b.flags(AMPERES, on_s, b.end_s))
    return stated(name, found.value, parts, over_read=found.pulled, flags=flags)


def mean_power(b: Besides) -> Value:
    """Time mean of voltage times current over the drive window."""
    name = "power_mean"
    if reason := b.why_not(BOTH, b.zero_s, b.end_s):
        return withheld(name, reason)
    return _energy(b, name, b.zero_s, b.end_s, 1.0 / (b.end_s - b.zero_s))


def energy_of_run(b: Besides) -> Value:
    """Energy from switching on to switching off, joule."""
    return _whole(b, "energy_run", 1.0)


def energy_of_run_wh(b: Besides) -> Value:
    """The same in watt-hours."""
    return _whole(b, "energy_run_wh", 1.0 / J_PER_WH)


def energy_per_blow(b: Besides) -> Value:
    """Energy from the first to the last blow of the drive window over the number of intervals."""
    name, a = "energy_per_blow", b.a
    if a.blows is None:
        return withheld(name, a.no_blows)
    struck = a.blows.start_s[a.driven & ~a.blows.double]
    if len(struck) < 2:
        return withheld(name, "it takes two blows in the drive window")
    first_s, last_s = float(struck[0]), float(struck[-1])
    if reason := b.why_not(BOTH, first_s, last_s):
        return withheld(name, reason)
    cut = bool(a.across_gap(first_s, last_s))
    flags = (
        ("blows that lie in gaps of the torque are not counted, so this is an upper bound",) if cut else ()
    )
    return _energy(b, name, first_s, last_s, 1.0 / (len(struck) - 1), flags=flags)


def energy_per_nm(b: Besides) -> Value:
    """Energy from switching on to the last blow over the retained torque gained."""
    name = "energy_per_nm"
    gained = _gained(b)
    if isinstance(gained, str):
        return withheld(name, gained)
    if b.on_s is None:
        return withheld(name, _BEGINS_LATE)
    gain, u_gain, common = gained
    if reason := b.why_not(BOTH, _surely_before(b, b.on_s), b.end_s):
        return withheld(name, reason)
    joule = supply.energy(b.volts, b.amperes, b.on_s, b.end_s).value
    share = joule / gain**2
    apart = math.sqrt(max(0.0, u_gain**2 - common**2))
    torque = [
        Part("calibration of torque", share * common, common=True),
        Part("torque gained", share * apart),
    ]
    from_s, _ = _around(b, b.on_s, b.end_s)
    seen = supply.seen_to_a_sample(b.volts, b.amperes, b.on_s, b.on_s)
    torque.append(rectangular("ends to a sample", seen / gain))
    return _energy(b, name, from_s, b.end_s, 1.0 / gain, more=torque)


def trigger_time(b: Besides) -> Value:
    """How long the trigger was held, in seconds: above the middle between its extremes."""
    record = b.records[Quantity.TRIGGER]
    if float(np.ptp(record.values)) == 0.0:
        return withheld("trigger_time", "the trigger never changed in its record: look at contact and wires")
    held = record.values > 0.5 * (record.values.min() + record.values.max())
    if held[0] or held[-1]:
        return withheld("trigger_time", "the trigger was held already, or still, at an end of its record")
    parts = [rectangular("both ends to a sample", math.sqrt(2.0) * 0.5 / record.rate_hz)]
    return stated("trigger_time", float(held.sum()) / record.rate_hz, parts)


def _sudden(b: Besides) -> str:
    """What to say where only the voltage is there, and first fell when the first blow came."""
    if b.on_s is None or b.has(AMPERES) or b.on_s < b.zero_s - _SUDDEN_S:
        return ""
    return (
        "the voltage first fell when the first blow came: if the tool was running by then, this is not the "
        "open-circuit voltage; a current beside it would tell"
    )


def _open(b: Besides) -> Estimate | str:
    if reason := b.turned(Quantity.SUPPLY_VOLTAGE):
        return reason
    if b.on_s is None:
        return _BEGINS_LATE
    found = supply.open_circuit(b.volts, b.on_s)
    return _BEGINS_LATE if found is None else found


def _whole(b: Besides, name: str, factor: float) -> Value:
    if b.on_s is None:
        return withheld(name, _BEGINS_LATE)
    off_s = min(max(b.end_s, supply.switched_off_s(b.amperes, b.zero_s, b.end_s)), b.amperes.end_s)
    if reason := b.why_not(BOTH, _surely_before(b, b.on_s), off_s):
        return withheld(name, reason)
    flowed_on = off_s >= b.amperes.end_s - 2.0 / b.amperes.rate_hz
    seen = supply.seen_to_a_sample(b.volts, b.amperes, b.on_s, off_s)
    ends = [rectangular("ends to a sample", factor * seen)]
    from_s, to_s = _around(b, b.on_s, off_s)
    return _energy(b, name, from_s, to_s, factor, more=ends, flags=(_FLOWED_ON,) if flowed_on else ())


def _surely_before(b: Besides, on_s: float) -> float:
    """When the tool was surely not switched on yet, whichever channel showed it: a sample of the slower one
    before that."""
    return on_s - 1.0 / min(b.volts.rate_hz, b.amperes.rate_hz)


def _around(b: Besides, on_s: float, off_s: float) -> tuple[float, float]:
    """From two samples of the slower channel before switching on to as long after switching off: a sample
    there may be a mean that has a part of the current in it."""
    more_s = 2.0 / min(b.volts.rate_hz, b.amperes.rate_hz)
    first_s, last_s = max(b.volts.start_s, b.amperes.start_s), min(b.volts.end_s, b.amperes.end_s)
    return max(first_s, on_s - more_s), min(last_s, off_s + more_s)


def _energy(
    b: Besides,
    name: str,
    from_s: float,
    to_s: float,
    factor: float,
    *,
    more: list[Part] | None = None,
    flags: tuple[str, ...] = (),
) -> Value:
    """Energy of a stretch times ``factor``, with what both channels leave open."""
    found = supply.energy(b.volts, b.amperes, from_s, to_s)
    value = factor * found.value
    parts = [
        *parts_of(found, factor),
        scale_part(b.volts, value),
        scale_part(b.amperes, value),
        zero_part(b.volts, factor * b.amperes.integral(from_s, to_s)),
        zero_part(b.amperes, factor * b.volts.integral(from_s, to_s)),
    ]
    return stated(name, value, [*parts, *(more or [])], flags=(*flags, *b.flags(BOTH, from_s, to_s)))


def _gained(b: Besides) -> tuple[float, float, float] | str:
    """Retained torque gained, its standard uncertainty and the common part of that; else why not known."""
    final = next((value for value in b.so_far if value.name == "retained_final"), None)
    if final is None or final.value is None:
        return "the final retained torque is withheld" if final is None else final.withheld
    plan, before = b.a.facts.context.plan, 0.0
    if plan is not None and plan.start is Start.PRESET and b.a.blows is not None:
        level = float(b.a.blows.level_before[0])
        before = b.a.tightening_sign * b.a.signal.rotation * level
    gain, u = final.value - before, final.standard
    if not math.isfinite(gain) or gain <= 4.0 * u:
        return "the joint did not gain more torque than its uncertainty"
    return gain, u, final.common


METRICS: dict[str, tuple[tuple[Quantity, ...], Callable[[Besides], Value]]] = {
    "supply_open": (VOLTS, open_voltage),
    "supply_loaded": (VOLTS, loaded_voltage),
    "supply_lowest": (VOLTS, lowest_voltage),
    "supply_sag": (VOLTS, sag),
    "supply_resistance": (BOTH, inner_resistance),
    "current_mean": (AMPERES, mean_current),
    "current_peak": (AMPERES, peak_current),
    "power_mean": (BOTH, mean_power),
    "energy_run": (BOTH, energy_of_run),
    "energy_run_wh": (BOTH, energy_of_run_wh),
    "energy_per_blow": (BOTH, energy_per_blow),
    "energy_per_nm": (BOTH, energy_per_nm),
    "trigger_time": ((Quantity.TRIGGER,), trigger_time),
}
"""For each metric the channels without which a run has it not, and how it is computed."""
