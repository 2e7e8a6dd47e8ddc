"""Which loads make a rising series."""

from __future__ import annotations

import pytest
from hungweights import masses

from anviltrace.calibration.ladder import Load, check_ladder, one_more_each_time
from anviltrace.errors import CalibrationError

HANGER, A, B, C, D = masses()


def test_one_more_each_time() -> None:
    ladder = one_more_each_time((HANGER, A, B))
    assert [load.masses for load in ladder] == [(HANGER,), (HANGER, A), (HANGER, A, B)]
    check_ladder(ladder)


@pytest.mark.parametrize(("loads", "words"), [
    ([(HANGER,)], "two different loads at least.*add a weight"),
    ([], "two different loads at least"),
    ([(HANGER,), (HANGER, A, A)], "'plate A' 2 times"),
    ([(HANGER,), (HANGER,)], "loads 1 and 2 are the same"),
    ([(HANGER, A), (HANGER, B)], "takes 'plate A' off again"),
    ([(HANGER, A), (HANGER,)], "takes 'plate A' off again"),
    ([(), (HANGER,)], "load 1 hangs nothing"),
])  # fmt: skip
def test_what_cannot_be_hung(loads: list[tuple], words: str) -> None:
    with pytest.raises(CalibrationError, match=words):
        check_ladder([Load(hung) for hung in loads])
