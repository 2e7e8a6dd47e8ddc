"""What headings of columns say: a name, and often the unit behind it, as in ``Time (ms)`` or ``time_us``."""

from __future__ import annotations

import re

_IN_BRACKETS = re.compile(r"(?P<name>.*?)\s*[(\[]\s*(?P<unit>[^()\[\]]*?)\s*[)\]]")
_TIME_SUFFIX = re.compile(r"(?P<name>.+)_(?P<unit>s|ms|us|ns)")
_TIME_NAMES = frozenset(("t", "time", "times", "timestamp", "zeit", "seconds", "sec"))

TIME_UNITS_S = {
    "s": 1.0, "sec": 1.0, "second": 1.0, "seconds": 1.0,
    "ms": 1e-3, "us": 1e-6, "µs": 1e-6, "μs": 1e-6, "ns": 1e-9,
}  # fmt: skip
"""Seconds in each unit of time that a heading may name; µ is the micro sign, μ the Greek letter."""
_VALUE_UNITS = {
    "nm": "N·m", "n·m": "N·m", "n.m": "N·m", "n*m": "N·m", "n m": "N·m", "n-m": "N·m",
    "lbf·ft": "lbf·ft", "lbf-ft": "lbf·ft", "lbf.ft": "lbf·ft", "lbf ft": "lbf·ft", "lb-ft": "lbf·ft",
    "lb ft": "lbf·ft", "ft-lb": "lbf·ft", "ft-lbf": "lbf·ft", "ft·lbf": "lbf·ft", "ft lb": "lbf·ft",
    "kgf·m": "kgf·m", "kgf-m": "kgf·m", "kgf.m": "kgf·m", "kgf m": "kgf·m",
    "v": "V", "volt": "V", "volts": "V", "mv": "mV", "mv/v": "mV/V",
    "lbf·in": "lbf·in", "lbf-in": "lbf·in", "lb-in": "lbf·in", "in-lb": "lbf·in", "in-lbf": "lbf·in",
    "in lb": "lbf·in", "kgf·cm": "kgf·cm", "kgf-cm": "kgf·cm", "kgf.cm": "kgf·cm",
    "knm": "kN·m", "kn·m": "kN·m", "kn.m": "kN·m", "ncm": "N·cm", "n·cm": "N·cm", "n.cm": "N·cm",
    "uv": "µV", "µv": "µV", "μv": "µV",
}  # fmt: skip
"""Units of torque and voltage; those that cannot be stated contradict whatever is."""


def split_unit(heading: str) -> tuple[str, str]:
    """Name and unit of a heading; the unit is empty where there is none."""
    text = heading.strip()
    found = _IN_BRACKETS.fullmatch(text) or _TIME_SUFFIX.fullmatch(text)
    return (found["name"], found["unit"]) if found else (text, "")


def is_time(heading: str) -> bool:
    """Whether a column is called a time, or has a unit of time."""
    name, unit = split_unit(heading)
    return name.lower() in _TIME_NAMES or unit.lower() in TIME_UNITS_S


def time_unit_s(heading: str) -> float | None:
    """Seconds in the unit of time that a heading names; None where it names none."""
    return TIME_UNITS_S.get(split_unit(heading)[1].lower())


def value_unit(heading: str) -> str | None:
    """The unit of torque or voltage that a heading names, spelled as ours are; None where it names none."""
    return _VALUE_UNITS.get(split_unit(heading)[1].lower())


def are_units(cells: list[str]) -> bool:
    """Whether a row holds nothing but units of ours, bare or in brackets, so that headings stand above it."""
    units = [(split_unit(cell)[1] or cell.strip()).lower() for cell in cells]
    named = [bool(unit) for unit in units]
    known = [unit in TIME_UNITS_S or unit in _VALUE_UNITS for unit in units]
    return any(known) and all(fits or not there for fits, there in zip(known, named, strict=True))
