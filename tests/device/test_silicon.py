"""The simulated hardware keeps to the data sheets, bit by bit, under both interpreters."""

from __future__ import annotations

import os
import re
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

HERE = Path(__file__).resolve().parent
SCRIPTS = HERE / "scripts"
HELPERS = {"expect", "run_check", "signed", "plain", "scattered", "read_vectors", "channel"}
ENDING = {"watchdog", "unaligned"}  # checks that end the interpreter


def _checks() -> list[tuple[str, str]]:
    """(script, check) for every function of the scripts that is a check."""
    found = []
    for chip in ("ads1220", "ads1256", "hx711", "nau7802", "ownadc", "clock", "dma"):
        names = re.findall(r"^def (\w+)\(\)", (SCRIPTS / f"check_{chip}.py").read_text("utf-8"), re.MULTILINE)
        found += [(chip, name) for name in names if name not in HELPERS]
    return found


@pytest.fixture
def check(root: Path, interpreter: str, run_script: Callable[..., str]) -> Callable[[str, str], str]:
    """Run a check; return what it printed."""
    silicon = root / "host" / "anviltrace" / "virtual" / "silicon"
    folders = [silicon] if interpreter == "micropython" else [silicon / "cpython"]
    vectors = root / "fixtures" / "wire" / "vectors.csv"

    def run(chip: str, name: str) -> str:
        script = SCRIPTS / f"check_{chip}.py"
        return run_script(interpreter, script, str(silicon), name, str(vectors), folders=folders)

    return run


@pytest.mark.parametrize(
    ("chip", "name"), [pair for pair in _checks() if "vectors" not in pair[1] and pair[1] not in ENDING]
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


@pytest.fixture
def last_words(root: Path, interpreter: str) -> Callable[[str, str], str]:
    """Run a check that ends the interpreter; return what it printed."""
    silicon = root / "host" / "anviltrace" / "virtual" / "silicon"
    command: list[Any] = [sys.executable]
    environment = {"PYTHONPATH": str(silicon / "cpython"), "PYTHONDONTWRITEBYTECODE": "1"}
    if interpreter == "micropython":
        command = [sys.executable, "-I", "-m", "micropython_unix"]
        environment = {"MICROPYPATH": f"{silicon}{os.pathsep}.frozen"}

    def run(script: str, name: str) -> str:
        done = subprocess.run(
            [*command, str(SCRIPTS / script), str(silicon), name],
            env={**os.environ, **environment},
            capture_output=True,
            text=True,
            timeout=30,
            check=False,
        )
        return done.stdout

    return run


def test_a_board_whose_watchdog_is_not_fed_resets(last_words: Callable[[str, str], str]) -> None:
    said = last_words("check_clock.py", "watchdog")
    assert "fed" in said
    assert "watchdog reset: not fed for 20 ms" in said
    assert "not reset" not in said


def test_a_dma_ring_that_is_not_aligned_damages_memory(last_words: Callable[[str, str], str]) -> None:
    said = last_words("check_dma.py", "unaligned")
    assert "writes outside its buffer" in said
    assert "not noticed" not in said
