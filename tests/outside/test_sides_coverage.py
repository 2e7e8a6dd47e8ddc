"""Do intervals of supply and handle hold the truth? A few drawn records; 2,000 in side_coverage.py.

The records are such as once gave wrong numbers: supplies read 10 to 60 times a second, tools that ran already
when the record began, blows whose moment the handle's clock knows to a few milliseconds.
"""

from __future__ import annotations

import numpy as np
import pytest
import side_study
from metric_study import Judged

RECORDS = (0, 3, 12, 14, 22, 29, 32, 39, 428, 485, 622)


@pytest.fixture(scope="module")
def judged() -> list[Judged]:
    return side_study.study(RECORDS)


def test_intervals_and_bounds_hold(judged: list[Judged]) -> None:
    """95 of 100 as a rule, and nothing is far off."""
    errors = np.array([abs(row.error) for row in judged if np.isfinite(row.error)])
    assert errors.size > 80
    assert np.mean(errors <= 1.0) >= 0.94
    assert errors.max() < 2.0
    beyond = np.array([min(row.above, row.below) for row in judged if np.isfinite(row.above)])
    assert beyond.size > 40
    assert np.mean(beyond >= 0.0) >= 0.94
    assert beyond.min() > -1.0


def test_numbers_are_withheld_for_the_right_reasons(judged: list[Judged]) -> None:
    assert [row for row in judged if row.reason in ("wrong", "lacking")] == []
    withheld = {row.name for row in judged if row.reason == "right"}
    assert {"supply_open", "energy_run", "vibration_total"} <= withheld
