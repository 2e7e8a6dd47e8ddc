"""The HX711's driver: pulses from a PIO state machine and from the script, and the PIO program elsewhere.

The program runs three times: on the simulated RP2040 (``silicon/rp2.py``, whose opcodes are compared with
another assembler's) and in rp2040-pio-emulator against a model of the chip's data sheet. Those two tools
bring modules that would hide the board's, so they live in an environment of their own: ``.venv-pio`` beside
the project's files, which ``.ci/run`` makes, or the interpreter that ANVILTRACE_PIO_PYTHON names.
"""

from __future__ import annotations

import json
import re
import subprocess
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from anviltrace.link.events import Blocks
from anviltrace.link.port import open_port
from anviltrace.link.session import Session

HERE = Path(__file__).resolve().parent / "scripts"
SCRIPT = HERE / "drive_hx711.py"
CHECKS = [
    name
    for name in re.findall(r"^def (\w+)\(", SCRIPT.read_text("utf-8"), re.MULTILINE)
    if name not in {"driver", "opcodes"}
]


@pytest.fixture
def drive(root: Path, interpreter: str, run_script: Callable[..., str]) -> Callable[[str], str]:
    """Run a check of the script; return what it printed."""
    silicon = root / "host" / "anviltrace" / "virtual" / "silicon"
    fakes = [silicon] if interpreter == "micropython" else [silicon / "cpython"]
    folders = [*fakes, root / "device", root / "protocol"]
    return lambda check: run_script(interpreter, SCRIPT, str(silicon), check, folders=folders)


@pytest.mark.parametrize("check", CHECKS)
def test_driver(drive: Callable[[str], str], check: str) -> None:
    drive(check)


def test_a_rig_whose_state_machine_gives_the_pulses(interpreter: str, tmp_path: Path) -> None:
    scenario = tmp_path / "rig.toml"
    converter = '[converter]\nname = "hx711"\nexcitation_v = 4.2\nrate_hz = 80\npio = 1\n'
    scenario.write_text('based_on = "deadweight-hx711"\n' + converter)
    with Session(open_port(f"virtual://{scenario}?seed=1&interpreter={interpreter}")) as session:
        session.configure()
        session.start(1)
        tables: list[Any] = []
        while sum(int(table["count"].sum()) for table in tables) < 160:
            tables += [event.table for event in session.poll() if isinstance(event, Blocks)]
        assert session.stop().lost == 0
    assert not any(table["flags"].any() for table in tables)


def test_the_pio_program_reads_what_the_chip_gives(drive: Callable[[str], str], pio_python: str) -> None:
    opcodes = json.loads(drive("opcodes"))
    done = subprocess.run(
        [pio_python, str(HERE / "emulate_pio.py"), json.dumps(opcodes)],
        capture_output=True,
        text=True,
        timeout=120,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    results = json.loads(done.stdout)
    assert results["assembled"] == opcodes
    assert len(results["readings"]) == 12
    for reading in results["readings"]:
        assert reading["read"] == reading["code"]
        assert reading["pulses_given"] == reading["pulses"]
        # at 1 MHz: high 0.2 to 50 us, low 0.2 us at least (HX711 data sheet, p. 5)
        assert 1 <= min(reading["high_us"]) <= max(reading["high_us"]) <= 50
        assert min(reading["low_us"]) >= 1
    assert {reading["pulses"] for reading in results["readings"]} == {25, 26, 27}
