"""What is wanted beside the torque, as a person writes it: ``supply current=CH3:100a:1%+0.2``."""

from __future__ import annotations

import re
from dataclasses import dataclass

from anviltrace.errors import PlanError
from anviltrace.records import Quantity

_FACTORS = {
    "v": ("V", 1.0),
    "mv": ("V", 1e-3),
    "a": ("A", 1.0),
    "ma": ("A", 1e-3),
    "m/s2": ("m/s²", 1.0),
    "g": ("m/s²", 9.80665),  # standard gravity
    "rad/s": ("rad/s", 1.0),
    "deg/s": ("rad/s", 0.017453292519943295),
    "on": ("1", 1.0),
}
"""For each unit a person may write the one it is kept in, and the factor to it."""
_NUMBER = r"[0-9]+(?:\.[0-9]*)?(?:[eE][+-]?[0-9]+)?"
_SHAPE = re.compile(
    rf"(?P<quantity>[^=]+)=(?P<column>.+?):(?P<factor>-?{_NUMBER})?(?P<unit>[a-z][a-z0-9/]*)(?::(?P<within>[^:]+))?"
)
_WITHIN = re.compile(rf"(?:(?P<percent>{_NUMBER})%)?(?:\+?(?P<zero>{_NUMBER}))?")
SHAPE_IN_WORDS = "QUANTITY=COLUMN:UNIT:WITHIN, for instance 'supply voltage=CH2:v:0.5%+0.02'"


@dataclass(frozen=True, slots=True)
class SideWish:
    """One side channel: ``factor`` turns what the column holds into the unit of the quantity.

    Limits (half widths): ``within_relative`` of the value, ``within_zero`` in the unit of the quantity.
    """

    quantity: Quantity
    column: str
    factor: float
    within_relative: float
    within_zero: float


def parse_side(text: str) -> SideWish:
    """Read one wish; raises PlanError where it does not say quantity, column, unit and limits."""
    found = _SHAPE.fullmatch(text.strip())
    if found is None:
        raise PlanError(f"{text!r} does not say {SHAPE_IN_WORDS}")
    quantity = _quantity(found["quantity"].strip())
    kept_in, factor = _FACTORS.get(found["unit"], ("", 0.0))
    if kept_in != quantity.unit:
        fitting = [unit for unit, (kept, _) in _FACTORS.items() if kept == quantity.unit]
        raise PlanError(f"{quantity} cannot be in {found['unit']!r}: use {' or '.join(fitting)}")
    stated = float(found["factor"] or 1.0)
    if stated == 0.0:
        raise PlanError(f"{text!r}: one unit of the column cannot be 0 {found['unit']}")
    relative, zero = _limits(found["within"], quantity, text)
    return SideWish(quantity, found["column"], stated * factor, relative, zero * abs(factor))


def _quantity(name: str) -> Quantity:
    try:
        return Quantity(name.lower())
    except ValueError:
        names = ", ".join(Quantity)
        raise PlanError(f"there is no side channel {name!r}: use one of {names}") from None


def _limits(text: str | None, quantity: Quantity, whole: str) -> tuple[float, float]:
    """Share of the value, and amount in the unit that was written."""
    if text is None and quantity is Quantity.TRIGGER:
        return 0.0, 0.0
    found = _WITHIN.fullmatch(text.strip()) if text else None
    if found is None or not (found["percent"] or found["zero"]):
        raise PlanError(
            f"{whole!r} does not say how well it is known: add ± limits from the data sheet or calibration, "
            "for instance :1% or :0.5%+0.02 (share of the value, and amount in the unit)"
        )
    return float(found["percent"] or 0.0) / 100.0, float(found["zero"] or 0.0)
