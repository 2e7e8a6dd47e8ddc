"""Limits of the check, and a workshop's own."""

from __future__ import annotations

from dataclasses import fields
from pathlib import Path

import pytest

from anviltrace.errors import PlanError
from anviltrace.proof.limits import REASONS, CheckLimits, read_limits


def test_a_file_changes_what_it_names(tmp_path: Path) -> None:
    file = tmp_path / "limits.toml"
    file.write_text("[limits]\nzero_look_share = 0.02\nrate_look_share = 0.001\n", encoding="utf-8")
    limits = read_limits(file)
    assert (limits.zero_look_share, limits.zero_fail_share) == (0.02, CheckLimits().zero_fail_share)
    assert limits.rate_within("hx711") == 0.001


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("[limit]\n", "does not know 'limit'"),
        ("[limits]\nzero = 1\n", "does not know 'zero'"),
        ("[limits]\nzero_look_share = 3\n", "lies outside 0 to 1"),
    ],
)
def test_what_cannot_be_a_limit_is_refused(tmp_path: Path, text: str, said: str) -> None:
    file = tmp_path / "limits.toml"
    file.write_text(text, encoding="utf-8")
    with pytest.raises(PlanError, match=said):
        read_limits(file)


def test_every_limit_has_its_reason() -> None:
    assert {field.name.split("_")[0] for field in fields(CheckLimits)} - {"lost"} <= set(REASONS)
    assert "samples" in REASONS


def test_a_crystal_is_closer_than_an_oscillator_on_a_chip() -> None:
    limits = CheckLimits()
    assert limits.rate_within("ads1256") < limits.rate_within("hx711")
