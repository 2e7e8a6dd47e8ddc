"""Temperatures at start and end: which counts as which, and where they are flagged."""

from __future__ import annotations

import math

import pytest
from workshop import fixed_id

from anviltrace.calibration.temperature import NOT_MEASURED, Temperatures, temperatures
from anviltrace.records import Temperature

LAST = "2026-05-04T09:30:00.000Z"


def at(minute: int, temperature_c: float, place: str = "transducer") -> Temperature:
    when = f"2026-05-04T09:{minute:02d}:00.000Z"
    return Temperature(fixed_id(minute), fixed_id(8), fixed_id(40), when, place, temperature_c, 0.29)


def test_the_first_before_and_the_last_after_the_last_reading() -> None:
    found = temperatures([at(0, 20.0), at(10, 20.4), at(31, 20.8), at(40, 20.9)], LAST)
    assert found == Temperatures(at(0, 20.0), at(40, 20.9))
    assert found.change_k == pytest.approx(0.9)
    assert found.flags == ()
    assert found.text == "start 20.0 °C (u 0.29 K), end 20.9 °C (u 0.29 K), change +0.9 K"


def test_the_room_is_not_the_transducer() -> None:
    assert temperatures([at(0, 20.0, "room")], LAST).text == NOT_MEASURED


def test_one_of_them_gives_no_change() -> None:
    found = temperatures([at(31, 20.0)], LAST)
    assert (found.start, found.change_k, found.flags) == (None, None, ())
    assert found.text.startswith("start not measured, end 20.0 °C")


@pytest.mark.parametrize(("start_c", "end_c", "flagged"), [
    (18.0, 19.0, 0), (27.0, 28.0, 0), (18.0, 19.1, 1), (19.1, 18.0, 1), (17.9, 18.0, 1), (28.0, 28.1, 1),
    (10.0, 30.0, 3),
])  # fmt: skip
def test_limits(start_c: float, end_c: float, flagged: int) -> None:
    found = temperatures([at(0, start_c), at(31, end_c)], LAST)
    assert len(found.flags) == flagged
    assert all("from memory" in flag for flag in found.flags)


def test_nothing_is_no_number() -> None:
    change = temperatures([at(0, 20.0), at(31, 21.0)], LAST).change_k
    assert change is not None
    assert math.isfinite(change)
    assert temperatures([], LAST) == Temperatures()
