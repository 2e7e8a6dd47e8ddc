"""The HX711's driver: pulses from a PIO state machine and from the script, and the PIO program elsewhere.

The program runs three times: on the simulated RP2040 (``silicon/rp2.py``, whose opcodes are compared with
another assembler's) and in rp2040-pio-emulator against a model of the chip's data sheet. Those two tools
bring modules that would hide the board's, so they live in an environment of their own: ``.venv-pio`` beside
the project's files, which ``.ci/run`` makes, or the interpreter that ANVILTRACE_PIO_PYTHON names.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from boardscripts import checks_of
from boardstream import stream

from anviltrace.link.port import open_port
from anviltrace.link.session import Session


@pytest.mark.parametrize("check", checks_of("drive_hx711.py", {"driver", "opcodes"}))
def test_driver(run_check: Callable[..., str], check: str) -> None:
    run_check("drive_hx711.py", check)


def test_a_rig_whose_state_machine_gives_the_pulses(interpreter: str, tmp_path: Path) -> None:
    scenario = tmp_path / "rig.toml"
    converter = '[converter]\nname = "hx711"\nexcitation_v = 4.2\nrate_hz = 80\npio = 1\n'
    scenario.write_text('based_on = "deadweight-hx711"\n' + converter)
    with Session(open_port(f"virtual://{scenario}?seed=1&interpreter={interpreter}")) as session:
        session.configure()
        session.start(1)
        table, _ = stream(session, 160)
        assert session.stop().lost == 0
    assert not table["flags"].any()


def test_the_pio_program_reads_what_the_chip_gives(
    run_check: Callable[..., str], emulate: Callable[[str, str], dict[str, Any]]
) -> None:
    results = emulate("emulate_pio.py", run_check("drive_hx711.py", "opcodes"))
    assert len(results["readings"]) == 12
    for reading in results["readings"]:
        assert reading["read"] == reading["code"]
        assert reading["pulses_given"] == reading["pulses"]
        # at 1 MHz: high 0.2 to 50 us, low 0.2 us at least (HX711 data sheet, p. 5)
        assert 1 <= min(reading["high_us"]) <= max(reading["high_us"]) <= 50
        assert min(reading["low_us"]) >= 1
    assert {reading["pulses"] for reading in results["readings"]} == {25, 26, 27}
