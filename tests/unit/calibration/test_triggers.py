"""What casts doubt on a calibration: each trigger at its limit."""

from __future__ import annotations

import pytest
from hungweights import COUNTS_PER_NM, calibration, fit
from workshop import fixed_id

from anviltrace.calibration.shunt import Moved
from anviltrace.calibration.triggers import (
    days_between,
    why_not_nearest,
    why_old,
    why_other_cable,
    why_overloaded,
    why_shunt_moved,
    why_zero_jumped,
)

MADE = "2026-05-04T09:00:00.000Z"
LINE = fit().line
HIGHEST_NM = LINE.highest_nm


@pytest.mark.parametrize(("valid_days", "at", "old"), [
    (None, "2027-05-04T08:59:00.000Z", False), (None, "2027-05-04T09:01:00.000Z", True),
    (30.0, "2026-06-03T08:59:00.000Z", False), (30.0, "2026-06-03T09:01:00.000Z", True),
    (30.0, "2026-01-01T00:00:00.000Z", False),
])  # fmt: skip
def test_age(valid_days: float | None, at: str, old: bool) -> None:
    said = why_old(calibration(taken_at=MADE, valid_days=valid_days), at)
    assert bool(said) is old
    if old:
        assert ("(as agreed)" in said) == (valid_days is not None)
        assert f"beyond {valid_days or 365:.0f} days" in said


@pytest.mark.parametrize("sign", [1, -1])
@pytest.mark.parametrize(("rated_nm", "limit_nm"), [(None, 2.0 * HIGHEST_NM), (900.0, 900.0),
                                                    (100.0, 2.0 * HIGHEST_NM)])  # fmt: skip
def test_overload(rated_nm: float | None, limit_nm: float, sign: int) -> None:
    made = calibration(linear_to_nm=rated_nm)
    assert why_overloaded(made, LINE, sign * 0.999 * limit_nm * COUNTS_PER_NM) == ""
    said = why_overloaded(made, LINE, sign * 1.001 * limit_nm * COUNTS_PER_NM)
    assert f"beyond {limit_nm:.0f} N·m" in said


def test_zero_jump() -> None:
    limit = 0.02 * HIGHEST_NM * COUNTS_PER_NM
    assert why_zero_jumped(LINE, []) == ""
    assert why_zero_jumped(LINE, [5.0]) == ""
    assert why_zero_jumped(LINE, [0.9 * limit * number for number in range(9)]) == ""
    said = why_zero_jumped(LINE, [0.0, 0.1 * limit, -0.95 * limit, 0.0])
    assert f"limit {0.02 * HIGHEST_NM:.1f} N·m" in said


def test_cable() -> None:
    assert why_other_cable("", "2 m") == why_other_cable("2 m", "") == why_other_cable("2 m", "2 m") == ""
    said = why_other_cable("2 m", "5 m")
    assert "'2 m'" in said
    assert "'5 m'" in said
    assert f"{100.0 * (1.0 - 350.0 / 351.0):.3f} %" in said  # a divider of the leads and the bridge


def test_shunt() -> None:
    moved = Moved(fixed_id(71), MADE, 0.0043, 0.0001)
    assert why_shunt_moved("100 kilohm", None) == ""
    said = why_shunt_moved("100 kilohm", moved)
    assert "shunt 100 kilohm moved by +0.43 % against that taken with it (limit 0.20 %)" in said
    turned = Moved(fixed_id(71), MADE, 0.0, 0.0001, turned=True)
    assert "the other way" in why_shunt_moved("100 kilohm", turned)


def test_nearest() -> None:
    before, used, later = (
        calibration(id=fixed_id(number), taken_at=f"2026-05-{number:02d}T09:00:00.000Z")
        for number in (2, 9, 30)
    )
    assert why_not_nearest(used, [before], "2026-05-10T00:00:00.000Z") == ""
    assert why_not_nearest(used, [], "2026-05-01T00:00:00.000Z") == ""
    assert why_not_nearest(used, [before], "2026-05-08T00:00:00.000Z") == ""
    assert "2026-05-02 is nearer" in why_not_nearest(used, [before, later], "2026-05-05T00:00:00.000Z")
    assert "2026-05-09 is nearer" in why_not_nearest(later, [before, used], "2026-05-10T08:00:00.000Z")


def test_days_between() -> None:
    assert days_between("2026-05-04T09:00:00.000Z", "2026-05-05T21:00:00.000Z") == 1.5
    assert days_between("2026-05-04T09:00:00.000Z", "2026-05-04T11:00:00.000+02:00") == 0.0
