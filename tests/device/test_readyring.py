"""The ring between data-ready and block: what it makes of ticks."""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path

import pytest

SCRIPT = Path(__file__).resolve().parent / "scripts" / "drive_readyring.py"
CHECKS = [
    name
    for name in re.findall(r"^def (\w+)\(", SCRIPT.read_text("utf-8"), re.MULTILINE)
    if name not in {"ring", "emptied"}
]


@pytest.mark.parametrize("check", CHECKS)
def test_ring(root: Path, interpreter: str, run_script: Callable[..., str], check: str) -> None:
    silicon = root / "host" / "anviltrace" / "virtual" / "silicon"
    fakes = [silicon] if interpreter == "micropython" else [silicon / "cpython"]
    folders = [*fakes, root / "device", root / "protocol"]
    run_script(interpreter, SCRIPT, str(silicon), check, folders=folders)
