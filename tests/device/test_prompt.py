"""With a watchdog the way to the prompt leads through a restart, and the restart stays there, once."""

from __future__ import annotations

import os
import signal
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from boardscripts import SCRIPTS

from anviltrace.firmware import BoardSettings, lay_out
from anviltrace.virtual.board import BoardProcess
from anvilwire import frame
from anvilwire import messages as m


def test_the_restart_after_leaving_stays_at_the_prompt(
    silicon: Path, run_script, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    pytest.importorskip("micropython_unix", reason="no MicroPython interpreter for this machine")
    lay_out(tmp_path, BoardSettings(watchdog_ms=8000, boot_wait_s=2))
    monkeypatch.chdir(tmp_path)
    printed = run_script(
        "micropython",
        SCRIPTS / "stay_at_prompt.py",
        folders=[silicon, tmp_path, tmp_path / "lib"],
    )
    assert printed.splitlines() == [
        "restarted",
        "staying at the prompt; reset the board to start the script",
        "starts the script after 2000 ms",
        "streams",
    ]
    assert not (tmp_path / "stay_at_prompt").exists()


class Silence:
    """A bench on which nothing happens."""

    front_rate_hz = 80.0

    def render(self, count: int, at_s: float) -> np.ndarray:  # noqa: ARG002
        return np.zeros(count, dtype=np.int32)

    def take_fault(self) -> tuple[int, int]:
        return 0, 0


def _read_until(board: BoardProcess, words: bytes, limit_s: float = 10.0) -> bytes:
    said, began = b"", time.monotonic()
    os.set_blocking(board.line_out, False)
    while words not in said and time.monotonic() - began < limit_s:
        try:
            said += os.read(board.line_out, 4096)
        except BlockingIOError:
            time.sleep(0.01)
    return said


def test_ctrl_c_is_a_byte_while_the_script_serves_and_interrupts_when_it_has_left(
    power_up_with: Callable[[str], None],
) -> None:
    pytest.importorskip("micropython_unix", reason="no MicroPython interpreter for this machine")
    power_up_with("interrupted.py")
    settings = BoardSettings(converter="hx711", watchdog_ms=0)
    with BoardProcess(Silence(), settings, interpreter="micropython") as board:
        asked = frame.build(m.IDENTITY, 0, bytes([1]))
        # as a byte in a damaged frame: the board goes on answering
        os.write(board.line_in, b"\0\x41\x03\x42\0" + asked)
        assert b"hx711" in _read_until(board, b"hx711")
        os.write(board.line_in, frame.build(m.QUIT, 1, bytes([2])))
        assert b"left" in _read_until(board, b"left")
        os.kill(board._process.pid, signal.SIGINT)
        assert b"interrupted" in _read_until(board, b"interrupted")


def test_while_the_script_serves_the_interpreter_takes_no_interrupt(
    power_up_with: Callable[[str], None],
) -> None:
    pytest.importorskip("micropython_unix", reason="no MicroPython interpreter for this machine")
    power_up_with("interrupted.py")
    with BoardProcess(Silence(), BoardSettings(converter="hx711"), interpreter="micropython") as board:
        os.write(board.line_in, frame.build(m.IDENTITY, 0, bytes([1])))
        assert b"hx711" in _read_until(board, b"hx711")
        os.kill(board._process.pid, signal.SIGINT)
        # the unix port then leaves the signal to the system, which ends the process without a traceback
        assert board._process.wait(5.0) == -signal.SIGINT
        assert b"KeyboardInterrupt" not in _read_until(board, b"KeyboardInterrupt", 0.2)
