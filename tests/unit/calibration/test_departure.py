"""What departs from the line, in budgets of the own profile: where it was seen, and never less below."""

from __future__ import annotations

import math

import pytest

from anviltrace.calibration.budget import Basis, Case, make_budget
from anviltrace.calibration.profiles import OWN
from anviltrace.calibration.quantities import Level, Quantities

PERCENT = {50.0: 0.1, 100.0: 0.4, 200.0: 0.05}
"""Distance of the readings from their line at each load, rising or falling alike."""


def departure_nm(torque_nm: float, case: Case) -> float:
    levels = tuple(
        Level(str(nm), nm, 10.0 * nm, line_percent=percent, line_both_percent=percent)
        for nm, percent in PERCENT.items()
    )
    found = Quantities(levels, 10.0, 10.0, {1: 0.0}, 0.0, {})
    basis = Basis(found, 10.0, (), dict.fromkeys(Case, ()), 0.0, math.inf)
    (term,) = (one for one in make_budget(basis, torque_nm, case, OWN).terms if one.symbol.startswith("fa"))
    assert (term.distribution, term.divisor) == ("U-shaped", pytest.approx(math.sqrt(2.0)))
    return term.width


@pytest.mark.parametrize(("torque_nm", "rising_nm", "both_nm"), [
    (10.0, 0.05, 0.05),   # below the lowest load: not less than there
    (50.0, 0.05, 0.05),
    (60.0, 0.4, 0.4),     # between two loads: the larger
    (100.0, 0.4, 0.4),
    (150.0, 0.4, 0.4),
    (200.0, 0.1, 0.4),    # rising as at that load; torque that falls may turn back anywhere below
])  # fmt: skip
def test_where_it_was_seen(torque_nm: float, rising_nm: float, both_nm: float) -> None:
    assert departure_nm(torque_nm, Case.RISING) == pytest.approx(rising_nm)
    assert departure_nm(torque_nm, Case.BOTH) == pytest.approx(both_nm)
