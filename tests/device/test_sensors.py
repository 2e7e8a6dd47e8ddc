"""Side sensors on simulated chips: registers, times and codes against the data sheets, and faults.

The data sheets are named in the script and were quoted from memory: no copy of them was at hand.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path

import pytest

SCRIPT = Path(__file__).resolve().parent / "scripts" / "drive_sensors.py"
CHECKS = re.findall(r"^def ((?:ina|tmp|adxl|contact)\w+)\(\)", SCRIPT.read_text("utf-8"), re.MULTILINE)


@pytest.mark.parametrize("check", CHECKS)
def test_sensor(root: Path, interpreter: str, run_script: Callable[..., str], check: str) -> None:
    silicon = root / "host" / "anviltrace" / "virtual" / "silicon"
    fakes = [silicon] if interpreter == "micropython" else [silicon / "cpython"]
    folders = [*fakes, root / "device", root / "protocol"]
    run_script(interpreter, SCRIPT, str(silicon), check, folders=folders)
