"""The bare rig read before a full calibration, beside what it read before."""

from __future__ import annotations

from dataclasses import replace

import pytest
from golden_archive import ZERO

from anviltrace.capture.barezero import compare_bare


def test_the_first_has_nothing_to_be_compared_with() -> None:
    assert compare_bare(ZERO, [], 600_000.0, None) == (
        "the bare rig reads -1204 counts; there is no earlier reading to compare with"
    )


def test_the_ratio_is_told_where_it_is_known() -> None:
    assert "-1204 counts (-0.0602 mV/V)" in compare_bare(ZERO, [], None, 5e-5)


@pytest.mark.parametrize("span", [600_000.0, -600_000.0])
def test_a_shift_beyond_two_percent_of_the_highest_load_asks_for_a_look(span: float) -> None:
    little = replace(ZERO, mean_counts=ZERO.mean_counts + 11_900.0)
    assert "1.98 % of the highest load from 2026-05-04 (limit 2 %)" in compare_bare(
        little, [ZERO], span, None
    )
    much = replace(ZERO, mean_counts=ZERO.mean_counts - 12_100.0)
    assert compare_bare(much, [ZERO], span, None).startswith("THE BARE RIG HAS MOVED by 2.0 % ")


def test_only_the_latest_earlier_reading_counts() -> None:
    old = replace(ZERO, mean_counts=500_000.0)
    assert "HAS MOVED" not in compare_bare(ZERO, [old, ZERO], 600_000.0, None)
    assert "HAS MOVED" in compare_bare(ZERO, [ZERO, old], 600_000.0, None)


def test_without_a_calibration_a_shift_is_only_told() -> None:
    said = compare_bare(replace(ZERO, mean_counts=0.0), [ZERO], None, None)
    assert said.endswith("+1204 counts since 2026-05-04; no calibration says how much that is")
