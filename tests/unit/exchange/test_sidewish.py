"""Side channels as a person writes them."""

from __future__ import annotations

import pytest

from anviltrace.errors import PlanError
from anviltrace.exchange.sidewish import SideWish, parse_side
from anviltrace.records import Quantity


@pytest.mark.parametrize(
    ("text", "wish"),
    [
        ("supply voltage=CH2:v:1%", SideWish(Quantity.SUPPLY_VOLTAGE, "CH2", 1.0, 0.01, 0.0)),
        ("supply voltage=CH2:mv:0.5%+20", SideWish(Quantity.SUPPLY_VOLTAGE, "CH2", 1e-3, 0.005, 0.02)),
        ("supply current=3:100a:0.2", SideWish(Quantity.SUPPLY_CURRENT, "3", 100.0, 0.0, 0.2)),
        (
            "supply current=probe 1:a:-20a:2%",
            SideWish(Quantity.SUPPLY_CURRENT, "probe 1:a", -20.0, 0.02, 0.0),
        ),
        ("Handle acceleration X=ax:g:3%", SideWish(Quantity.HANDLE_X, "ax", 9.80665, 0.03, 0.0)),
        (
            "handle rotation=gz:deg/s:3%",
            SideWish(Quantity.HANDLE_ROTATION, "gz", 0.01745329251994, 0.03, 0.0),
        ),
        ("trigger=D0:on", SideWish(Quantity.TRIGGER, "D0", 1.0, 0.0, 0.0)),
    ],
)
def test_what_is_written_is_understood(text: str, wish: SideWish):
    found = parse_side(text)
    assert (found.quantity, found.column) == (wish.quantity, wish.column)
    assert (found.factor, found.within_relative, found.within_zero) == pytest.approx(
        (wish.factor, wish.within_relative, wish.within_zero)
    )


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("CH2", "does not say QUANTITY=COLUMN:UNIT:WITHIN"),
        ("supply voltage=CH2", "does not say QUANTITY=COLUMN:UNIT:WITHIN"),
        ("temperature=CH2:v:1%", "there is no side channel 'temperature': use one of supply voltage, "),
        ("supply voltage=CH2:a:1%", "supply voltage cannot be in 'a': use v or mv"),
        ("handle acceleration x=AX:m:1%", "cannot be in 'm': use m/s2 or g"),
        ("supply voltage=CH2:v", "does not say how well it is known"),
        ("supply voltage=CH2:v:good", "does not say how well it is known"),
        ("supply current=CH2:0a:1%", "one unit of the column cannot be 0 a"),
    ],
)
def test_what_cannot_be_understood_is_told(text: str, message: str):
    with pytest.raises(PlanError, match=message):
        parse_side(text)
