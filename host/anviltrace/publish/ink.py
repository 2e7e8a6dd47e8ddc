"""Colours and dashes of the conditions.

The colours are those of Okabe and Ito (2008), made for people with any kind of colour vision, darker on
white and lighter on black; lines differ in their dashes too, so that colour never carries meaning alone.
"""

from __future__ import annotations

LIGHT = ("#0072b2", "#c04f00", "#00795a", "#a8537f", "#7a6200", "#3a3f47")
DARK = ("#56b4e9", "#f0975a", "#35c49a", "#e39bc2", "#e6cf52", "#c9ced6")
DASHES: tuple[tuple[int, ...], ...] = ((), (6, 3), (2, 2), (9, 3, 2, 3))


def colour(number: int) -> int:
    """Which colour the condition of this number (from 0) has."""
    return number % len(LIGHT)


def dash(number: int) -> tuple[int, ...]:
    """Lengths of strokes and gaps in pixels, empty for a whole line; all pairs with a colour are used."""
    return DASHES[(number + number // 12) % len(DASHES)]
