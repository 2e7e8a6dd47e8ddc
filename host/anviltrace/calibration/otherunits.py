"""A mass in pounds or a length in inches is refused with the number it must be multiplied by."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from typing import Any

from anviltrace.errors import PlanError

_IN_KG = {"lb": 0.45359237, "lbs": 0.45359237, "oz": 0.028349523125, "g": 0.001, "t": 1000.0}
_IN_M = {"in": 0.0254, "ft": 0.3048, "mm": 0.001, "cm": 0.01}
_UNITS = {"kg": _IN_KG, "m": _IN_M}
_WITH_UNIT = re.compile(r"\s*[-+0-9.,eE]+\s*([A-Za-z]+)\.?\s*")


def refuse_other_units(tables: Mapping[str, Any], file: str) -> None:
    """PlanError where a mass or an arm is stated in a unit that is known here but not taken.

    By its key (``mass_lb``), or by a unit behind its number (``"22 lb"``). Pound and inch are those of the
    international agreement of 1959, exact; everything else that is wrong is left to whoever reads the table.
    """
    for kind, unit in (("mass", "kg"), ("arm", "m")):
        entries = tables.get(kind)
        for number, entry in enumerate(entries if isinstance(entries, Sequence) else (), 1):
            if isinstance(entry, Mapping):
                _look_at(entry, unit, f"{file}: {kind} {number}")


def _look_at(entry: Mapping[str, Any], unit: str, what: str) -> None:
    for key, value in entry.items():
        stem, _, last = key.rpartition("_")
        found = last.lower() if stem and last != unit else _behind_number(value)
        factor = _UNITS[unit].get(found)
        if factor is not None and (last == unit or _belongs(stem)):
            right = key if last == unit else f"{stem}_{unit}"
            raise PlanError(
                f"{what}.{key} = {value!r} is not in {unit}: convert it by 1 {found} = {factor:.9g} {unit}, "
                f"and give {right}"
            )


def _belongs(stem: str) -> bool:
    return stem in (
        "mass",
        "length",
        "within",
        "u",
        "own_mass",
        "own_within",
        "own_centre",
        "own_centre_within",
    )


def _behind_number(value: object) -> str:
    found = _WITH_UNIT.fullmatch(value) if isinstance(value, str) else None
    return found.group(1).lower() if found else ""
