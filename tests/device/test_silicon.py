"""The simulated hardware keeps to the data sheets, bit by bit, under both interpreters."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest
from boardscripts import checks_of

HELPERS = {"expect", "run_check", "signed", "plain", "scattered", "read_vectors", "channel"}
ENDING = {"watchdog", "unaligned"}  # checks that end the interpreter
CHIPS = ("ads1220", "ads1256", "hx711", "nau7802", "ownadc", "clock", "dma")
CHECKS = [(chip, name) for chip in CHIPS for name in checks_of(f"check_{chip}.py", HELPERS)]


@pytest.fixture
def check(root: Path, run_check: Callable[..., str]) -> Callable[[str, str], str]:
    """Run a check; return what it printed."""
    vectors = root / "fixtures" / "wire" / "vectors.csv"
    return lambda chip, name: run_check(f"check_{chip}.py", name, str(vectors))


@pytest.mark.parametrize(
    ("chip", "name"), [pair for pair in CHECKS if "vectors" not in pair[1] and pair[1] not in ENDING]
)
def test_silicon(check: Callable[[str, str], str], chip: str, name: str) -> None:
    check(chip, name)


@pytest.mark.parametrize(
    ("chip", "name", "kind"),
    [
        ("ads1256", "vectors", "ads1256"),
        ("hx711", "vectors", "hx711"),
        ("clock", "ticks_vectors", "ticks_diff"),
    ],
)
def test_every_vector(
    check: Callable[[str, str], str], wire_vectors: list[dict[str, str]], chip: str, name: str, kind: str
) -> None:
    """fixtures/wire/vectors.csv says where each value comes from."""
    rows = sum(row["kind"] == kind for row in wire_vectors)
    assert rows > 0
    assert int(check(chip, name)) == rows


def test_a_board_whose_watchdog_is_not_fed_resets(run_check: Callable[..., str]) -> None:
    said = run_check("check_clock.py", "watchdog", ends=True)
    assert "fed" in said
    assert "watchdog reset: not fed for 20 ms" in said
    assert "not reset" not in said


def test_a_dma_ring_that_is_not_aligned_damages_memory(run_check: Callable[..., str]) -> None:
    said = run_check("check_dma.py", "unaligned", ends=True)
    assert "writes outside its buffer" in said
    assert "not noticed" not in said
