"""The ADS1256 read by a PIO state machine and DMA: the driver on simulated parts, and the program elsewhere.

The program runs on the simulated RP2040 (``silicon/rp2.py``), whose opcodes are compared with another
assembler's, and in rp2040-pio-emulator against a model of the chip's data sheet; see ``test_hx711`` for the
environment that these two tools need.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from boardscripts import checks_of
from boardstream import stream

from anviltrace.errors import RefusedError
from anviltrace.link.burst import Burst
from anviltrace.link.events import Blocks, Finished
from anviltrace.link.port import open_port
from anviltrace.link.session import Session
from anvilwire import messages as m

SCRIPT = "drive_wordring.py"
CHECKS = [
    name
    for name in checks_of(SCRIPT, {"let_go", "opcodes", "ends_by_watchdog"})
    if not name.startswith("words_")
]
CYCLE_NS = 1e9 / 7_500_000
CRYSTAL_NS = 1e9 / 7_680_000


@pytest.mark.parametrize("check", CHECKS)
def test_driver(run_check: Callable[..., str], check: str) -> None:
    run_check(SCRIPT, check)


@pytest.mark.parametrize("rate", ["30_kilohertz", "15_kilohertz"])
def test_words_worked_out_are_those_of_single_instructions(run_check: Callable[..., str], rate: str) -> None:
    # the simulation takes a short cut once the program's rhythm is known: it must not show
    worked_out = run_check(SCRIPT, f"words_worked_out_at_{rate}")
    assert worked_out == run_check(SCRIPT, f"words_by_single_instructions_at_{rate}")


@pytest.fixture
def emulated(run_check: Callable[..., str], emulate: Callable[[str, str], dict[str, Any]]) -> dict[str, Any]:
    """What the program did in the emulator; a cycle is 133 ns."""
    return emulate("emulate_words.py", run_check(SCRIPT, "opcodes"))


def _looks(periods: float) -> int:
    """Looks counted in an interval of so many sample periods of 250 cycles: 222 cycles and 4 for each."""
    return round((250 * periods - 222) / 4)


def test_the_program_reads_continuously(emulated: dict[str, Any]) -> None:
    run = emulated["continuous"]
    assert len(run["words"]) > 100
    assert run["words"] == run["codes"][: len(run["words"])]
    assert set(run["waits"][1:]) == {_looks(1)}
    # TI SBAS288K, timing of the serial interface: SCLK period at least 4 crystal periods, 200 ns high and low
    assert min(run["periods"]) * CYCLE_NS >= 4 * CRYSTAL_NS
    assert min(run["highs"]) * CYCLE_NS >= 200
    assert min(run["lows"]) * CYCLE_NS >= 200
    # each reading is over before the next code, and its first clock comes after data-ready
    readings = [run["rises"][at : at + 24] for at in range(0, len(run["rises"]) // 24 * 24, 24)]
    for number, rises in enumerate(readings):
        assert 0 < rises[0] - 250 * number <= 8
        assert rises[-1] + 4 < 250 * (number + 1) - 16
    # the word is there 103 cycles after its data-ready, but for a look more or less: ticks reckon with it
    assert all(abs(at - 250 * number - 103) <= 4 for number, at in enumerate(run["at"]))


def test_a_missed_data_ready_shows_in_the_wait(emulated: dict[str, Any]) -> None:
    run = emulated["missed"]
    left = [code for number, code in enumerate(run["codes"]) if number not in (10, 15, 16)]
    assert run["words"] == left[: len(run["words"])]
    waits = run["waits"]
    assert (waits[10], waits[14]) == (pytest.approx(_looks(2), abs=1), pytest.approx(_looks(3), abs=1))
    assert set(waits[1:10] + waits[11:14] + waits[15:]) == {_looks(1)}
    assert emulated["long"]["waits"][10] == 255  # beyond 4.9 periods nothing is counted


def test_a_chip_that_does_not_take_the_clock_shows_in_the_wait(emulated: dict[str, Any]) -> None:
    # data-ready stays low after the reading: the count begins at 31 of 255
    waits = emulated["deaf"]["waits"]
    assert set(waits[1:11]) == {_looks(1)}
    assert min(waits[11:]) > 255 - 32
    assert max(waits[11:]) < 255


def test_a_spike_while_nobody_looks_does_no_harm(emulated: dict[str, Any]) -> None:
    run = emulated["spike"]
    assert run["words"] == run["codes"][: len(run["words"])]
    assert set(run["waits"][1:]) == {_looks(1)}
    waits = emulated["early"]["waits"]
    assert waits[6] <= 5  # just before the next code it is taken for it, and known by its wait


@pytest.mark.parametrize("number", [7])
def test_any_state_machine(number: int, interpreter: str, tmp_path: Path) -> None:
    scenario = tmp_path / "rig.toml"
    scenario.write_text(
        f'based_on = "fishplate-fast"\n[converter]\nname = "ads1256"\nexcitation_v = 5.0\npio = {number}\n'
    )
    with Session(open_port(f"virtual://{scenario}?seed=1&interpreter={interpreter}")) as session:
        session.configure(15000.0)
        session.start(1)
        stream(session, 2000)
        assert session.stop().lost == 0


def test_a_burst_at_a_rate_that_a_uart_cannot_carry(interpreter: str) -> None:
    # 30,000 S/s are 95 kB/s, and a UART at 921,600 Bd sends 92,160 bytes a second
    url = f"virtual://fishplate-fast?seed=1&interpreter={interpreter}&uart=921600"
    with Session(open_port(url)) as session:
        session.configure(30_000.0, 64)
        with pytest.raises(RefusedError, match="link carries 92160"):
            session.start(1)
        blocks = session.identity.burst_samples // 256
        session.start_burst(2, Burst(blocks))
        tables: list[Any] = []
        totals = None
        while totals is None:
            for event in session.poll():
                if isinstance(event, Blocks):
                    tables.append(event.table)
                elif isinstance(event, Finished):
                    totals = event.totals
    assert (totals.reason, totals.lost, totals.saturated) == (m.BURST_FULL, 0, 0)
    first = np.concatenate([table["first_index"] for table in tables])
    np.testing.assert_array_equal(first, 256 * np.arange(blocks))
    ticks = np.concatenate([table["tick_first"] for table in tables]).astype(np.int64)
    assert np.diff(ticks) == pytest.approx(256 * 100 / 3, abs=40)
