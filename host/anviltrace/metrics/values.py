"""Making values: stated with their uncertainty, or withheld with the reason."""

from __future__ import annotations

from collections.abc import Iterable

from anviltrace.metrics.results import Value
from anviltrace.metrics.uncertainty import Part, combine


def stated(
    name: str,
    value: float,
    parts: Iterable[Part],
    *,
    at_s: float | None = None,
    at_nm: float | None = None,
    under_read: float = 0.0,
    over_read: float = 0.0,
    flags: Iterable[str] = (),
) -> Value:
    """A value with the parts of its uncertainty added up; empty flags are left out."""
    total = combine(parts)
    return Value(
        name=name,
        value=float(value),
        expanded=total.expanded,
        dof=total.dof,
        common=total.common,
        under_read=float(under_read),
        over_read=float(over_read),
        at_s=at_s,
        at_nm=at_nm,
        flags=tuple(flag for flag in flags if flag),
    )


def reading(name: str, value: float, flags: Iterable[str] = ()) -> Value:
    """A value that is a reading of the converter, without an uncertainty."""
    return Value(name=name, value=float(value), flags=tuple(flag for flag in flags if flag))


def withheld(name: str, reason: str, at_s: float | None = None, at_nm: float | None = None) -> Value:
    """A metric that cannot be stated, and why."""
    return Value(name=name, value=None, at_s=at_s, at_nm=at_nm, withheld=reason)


def at_least(value: Value, reason: str) -> Value:
    """The value as the lower bound that it is where something cut off what it is made of; ``reason`` says
    what did, empty: nothing."""
    if value.value is None or not reason:
        return value
    least = value.value - (value.expanded or 0.0) - value.over_read
    return Value(
        value.name, None, at_s=value.at_s, withheld=reason, flags=value.flags, at_nm=value.at_nm, beyond=least
    )


def beyond(
    name: str, least: float, reason: str, at_nm: float | None = None, flags: Iterable[str] = ()
) -> Value:
    """A value that is only known to be greater than ``least``; ``reason`` says what was not reached."""
    told = tuple(flag for flag in flags if flag)
    return Value(name=name, value=None, beyond=float(least), at_nm=at_nm, withheld=reason, flags=told)
