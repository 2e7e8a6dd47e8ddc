"""Numbers for people: a value and its expanded uncertainty, rounded together.

The uncertainty gets two significant digits and the value the same last place (GUM 7.2.6: it seldom
helps to give more). Nothing in here is used for computing.
"""

from __future__ import annotations

import math
from decimal import ROUND_FLOOR, ROUND_HALF_EVEN, ROUND_UP, Decimal

DIGITS_OF_UNCERTAINTY = 2
DIGITS_WITHOUT = 4
"""Significant digits of a value whose uncertainty is not known."""
DIGITS_OF_LEAST = 3
_EXACT = 1e-12
"""A first digit or last place is not moved by less than this share: 0.1 + 0.2 is 0.3."""


def value_with_uncertainty(value: float, expanded: float | None) -> str:
    """For 12.3416 and 0.117 the text "12.34 ± 0.12".

    The value stands alone where the uncertainty is None (4 digits) or 0 (an exact number, as it is).

    Raises:
        ValueError: a number is NaN or infinite, or the uncertainty is negative.
    """
    if expanded is None:
        return rounded(value)
    if expanded == 0.0:
        _must_be_finite(value)
        return f"{value:.0f}" if value == round(value) else f"{value:g}"
    place = last_place(expanded)
    return f"{_at(value, place)} ± {_at(expanded, place)}"


def rounded(value: float, digits: int = DIGITS_WITHOUT) -> str:
    """A value to so many significant digits, never in powers of ten; 0 is "0"."""
    _must_be_finite(value)
    if value == 0.0:
        return "0"
    return _at(value, _first_place(value) - digits + 1)


def least(value: float, digits: int = DIGITS_OF_LEAST) -> str:
    """A lower bound, rounded down so that it still bounds."""
    _must_be_finite(value)
    if value == 0.0:
        return "0"
    place = _first_place(value) - digits + 1
    kept = value + abs(value) * _EXACT
    return _plain(Decimal(repr(kept)).quantize(Decimal(1).scaleb(place), ROUND_FLOOR), place)


def bound(value: float, digits: int = DIGITS_OF_UNCERTAINTY) -> str:
    """A bound (not negative), rounded up so that it still bounds."""
    if value == 0.0:
        return "0"
    place = last_place(value, digits)
    step = Decimal(1).scaleb(place)
    return _plain(Decimal(repr(value * (1.0 - _EXACT))).quantize(step, ROUND_UP), place)


def tells(size: float, expanded: float | None) -> bool:
    """Whether a bound says anything beside a value: a tenth of the last digit that is shown, or more."""
    return size > 0.0 and (not expanded or size >= 0.1 * 10.0 ** last_place(expanded))


def last_place(expanded: float, digits: int = DIGITS_OF_UNCERTAINTY) -> int:
    """Power of ten of the last digit to be shown of a positive uncertainty: -2 for 0.117.

    Rounding may carry into a new digit (0.0996 becomes 0.10), and then the place follows it.
    """
    _must_be_finite(expanded)
    if expanded <= 0.0:
        raise ValueError(f"an uncertainty of {expanded} cannot be rounded: it must be positive")
    place = _first_place(expanded) - digits + 1
    carried = Decimal(repr(expanded)).quantize(Decimal(1).scaleb(place), ROUND_HALF_EVEN)
    return place + (carried.adjusted() > _first_place(expanded))


def _first_place(value: float) -> int:
    return Decimal(repr(abs(value))).adjusted()


def _at(value: float, place: int) -> str:
    """The value rounded at a power of ten, in plain digits."""
    _must_be_finite(value)
    return _plain(Decimal(repr(value)).quantize(Decimal(1).scaleb(place), ROUND_HALF_EVEN), place)


def _plain(number: Decimal, place: int) -> str:
    text = f"{number:.{max(0, -place)}f}"
    return text.removeprefix("-") if number == 0 else text


def _must_be_finite(value: float) -> None:
    if not math.isfinite(value):
        raise ValueError(f"{value} is no number that can be shown")
