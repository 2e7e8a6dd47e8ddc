"""The board process: a child that comes up, serves, fails and ends without leaving anything behind."""

from __future__ import annotations

import importlib.util
import os
import select
import threading
import time
from collections import deque
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import pytest

from anviltrace.errors import VirtualRigError
from anviltrace.firmware import BoardSettings
from anviltrace.virtual import board as board_module
from anviltrace.virtual import scenario
from anviltrace.virtual.board import BoardProcess, Fault
from anvilwire import frame, messages


class Ramp:
    """A bench whose n-th value is 1000·n, and which has no faults of its own."""

    front_rate_hz = 30_000.0

    def __init__(self) -> None:
        self.rendered = 0
        self.times_s: list[float] = []

    def render(self, count: int, at_s: float) -> npt.NDArray[np.int32]:
        self.times_s.append(at_s)
        values = 1000 * np.arange(self.rendered, self.rendered + count, dtype=np.int32)
        self.rendered += count
        return values

    def take_fault(self) -> tuple[int, int]:
        return 0, 0


class Talker:
    """Just enough of a host."""

    def __init__(self, board: BoardProcess) -> None:
        self.board, self.reader, self.sequence = board, frame.FrameReader(), 0
        self.frames: deque[frame.Frame] = deque()

    def say(self, kind: int, **fields: int) -> None:
        os.write(self.board.line_in, frame.build(kind, self.sequence, messages.pack(kind, **fields)))
        self.sequence += 1

    def hear(self, kind: int, limit_s: float = 10.0) -> dict[str, Any]:
        """The next message of that kind."""
        deadline_s = time.monotonic() + limit_s
        while time.monotonic() < deadline_s:
            while self.frames:
                found = self.frames.popleft()
                if found.kind == kind:
                    return messages.unpack(kind, found.payload)
            if select.select([self.board.line_out], [], [], 0.1)[0]:
                data = os.read(self.board.line_out, 65536)
                assert data, self.board.errors() or self.reader.pending()
                self.frames += self.reader.feed(data)
        pytest.fail(f"no message {kind:#x} within {limit_s} s")

    def start(self, rate_hz: int = 7500) -> None:
        self.say(messages.CONFIGURE, request_id=1, rate_mhz=1000 * rate_hz, gain=0)
        applied = self.hear(messages.CONFIGURED)
        self.say(messages.START, request_id=2, settings_id=applied["settings_id"], run_id=5)
        self.hear(messages.STARTED)


def _ended(process_id: int) -> bool:
    """Whether the process has been collected, too: a zombie would still be there."""
    try:
        os.kill(process_id, 0)
    except ProcessLookupError:
        return True
    return False


def test_comes_up_and_leaves_nothing_behind(interpreter: str) -> None:
    threads = set(threading.enumerate())
    board = BoardProcess(Ramp(), BoardSettings(board="shed"), interpreter=interpreter, unique_id=b"12345678")
    talker = Talker(board)
    talker.say(messages.IDENTITY, request_id=9)
    identity = talker.hear(messages.IDENTIFIED)
    assert (identity["board"], identity["unique_id"], identity["converter_ok"]) == ("shed", b"12345678", 1)
    assert os.getsid(board._process.pid) != os.getsid(0)  # Ctrl-C reaches this process only
    folder, process_id = board.folder, board._process.pid
    assert folder.is_dir()
    board.close()
    board.close()
    assert _ended(process_id)
    assert not folder.exists()
    assert set(threading.enumerate()) == threads


def test_an_hx711_comes_up_too(interpreter: str) -> None:
    class Slow(Ramp):
        front_rate_hz = 80.0

    settings = BoardSettings(converter="hx711", rate_hz=80)
    with BoardProcess(Slow(), settings, interpreter=interpreter) as board:
        talker = Talker(board)
        talker.start(80)
        assert talker.hear(messages.BLOCK)["count"] > 0
        assert len(board.rendered()) % 4 == 0  # 50 ms at a time


def test_keeps_what_was_rendered(interpreter: str) -> None:
    bench = Ramp()
    with BoardProcess(bench, BoardSettings(), interpreter=interpreter) as board:
        talker = Talker(board)
        talker.start()
        talker.hear(messages.BLOCK)
        talker.say(messages.STOP, request_id=3, run_id=5)
        talker.hear(messages.FINISHED)
        np.testing.assert_array_equal(board.rendered(), 1000 * np.arange(bench.rendered))
    gaps_s = np.diff(bench.times_s)
    np.testing.assert_allclose(gaps_s, 0.05, atol=2e-6)  # asked for 50 ms at a time, without a gap


def test_ticks_start_where_they_are_told_to() -> None:
    first = (1 << 30) - 1
    with BoardProcess(Ramp(), BoardSettings(), interpreter="cpython", first_tick=first) as board:
        talker = Talker(board)
        assert talker.hear(messages.BOARD_ALIVE)["tick"] < 5_000_000


def test_wall_pace_takes_its_time(interpreter: str) -> None:
    with BoardProcess(Ramp(), BoardSettings(), interpreter=interpreter, clock="wall") as board:
        talker = Talker(board)
        talker.start()
        began_s = time.monotonic()
        while talker.hear(messages.BLOCK)["first_index"] < 3750:
            pass
        assert 0.4 < time.monotonic() - began_s < 1.5


def test_jumping_runs_ahead_but_not_away_from_a_silent_host(interpreter: str) -> None:
    with BoardProcess(Ramp(), BoardSettings(), interpreter=interpreter) as board:
        talker = Talker(board)
        talker.start()
        began_s = time.monotonic()
        reached = 0
        while time.monotonic() - began_s < 1.5 and select.select([board.line_out], [], [], 1.0)[0]:
            for found in talker.reader.feed(os.read(board.line_out, 65536)):
                if found.kind == messages.BLOCK:
                    block = messages.unpack(found.kind, found.payload)
                    reached = block["first_index"] + block["count"]
        assert 7000 < reached < 8500  # a second of signal, then it waits


def test_the_dead_man_stop(interpreter: str) -> None:
    with BoardProcess(Ramp(), BoardSettings(), interpreter=interpreter, clock="wall") as board:
        talker = Talker(board)
        talker.start()
        assert talker.hear(messages.FINISHED, limit_s=6.0)["reason"] == messages.HOST_SILENT


def test_a_bench_that_fails_takes_the_board_down() -> None:
    class Broken(Ramp):
        def render(self, count: int, at_s: float) -> npt.NDArray[np.int32]:  # noqa: ARG002
            raise ZeroDivisionError("the lever broke")

    with BoardProcess(Broken(), BoardSettings(), interpreter="cpython") as board:
        talker = Talker(board)
        talker.say(messages.CONFIGURE, request_id=1, rate_mhz=7_500_000, gain=0)
        applied = talker.hear(messages.CONFIGURED)
        talker.say(messages.START, request_id=2, settings_id=applied["settings_id"], run_id=5)
        deadline_s = time.monotonic() + 10
        while board.is_alive and time.monotonic() < deadline_s:
            time.sleep(0.02)
        assert not board.is_alive
        assert "the lever broke" in board.errors()


def test_a_script_that_dies_at_once_says_why(interpreter: str, monkeypatch: pytest.MonkeyPatch) -> None:
    def lay_out_rubbish(folder: Path, _settings: BoardSettings) -> list[Any]:
        folder.mkdir()
        (folder / "settings.py").write_text("CONVERTER = 'abacus'\nPINS = {}\n")
        return []

    monkeypatch.setattr(board_module, "lay_out", lay_out_rubbish)
    with pytest.raises(VirtualRigError, match="no simulated chip is called abacus"):
        BoardProcess(Ramp(), BoardSettings(), interpreter=interpreter)


def test_an_interpreter_that_is_missing_says_so(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(board_module.sys, "executable", "/bin/false")
    with pytest.raises(VirtualRigError, match=r"did not start under micropython .*it said nothing"):
        BoardProcess(Ramp(), BoardSettings(), interpreter="micropython")


def test_the_real_interpreter_is_preferred() -> None:
    installed = importlib.util.find_spec("micropython_unix") is not None
    assert board_module.usual_interpreter() == ("micropython" if installed else "cpython")


def test_three_tables_of_faults_agree(root: Path) -> None:
    source = (root / "host/anviltrace/virtual/silicon/faults.py").read_text(encoding="utf-8")
    lines = [line.split(" = ") for line in source.splitlines() if " = " in line]
    numbers = {name: int(value) for name, value in lines if name.isupper() and value.isdigit()}
    assert numbers == {fault.name: fault.value for fault in Fault}
    assert {kind.name: kind.code for kind in scenario.FaultKind} | {"NONE": 0} == numbers


@pytest.fixture
def running(interpreter: str) -> Any:
    """A board that streams, and its host."""
    with BoardProcess(Ramp(), BoardSettings(), interpreter=interpreter) as board:
        talker = Talker(board)
        talker.start()
        yield talker


def _blocks(talker: Talker, samples: int) -> list[dict[str, Any]]:
    found = [talker.hear(messages.BLOCK)]
    while found[-1]["first_index"] + found[-1]["count"] < samples:
        found.append(talker.hear(messages.BLOCK))
    return found


def test_missed_data_readies_are_counted_as_lost(running: Talker) -> None:
    running.board.inject(Fault.MISSED_READY, 7)
    blocks = _blocks(running, 4000)
    assert [block["lost"] for block in blocks[-2:]] == [7, 7]
    assert any(block["flags"] & messages.BLOCK_AFTER_LOSS for block in blocks)


def test_extra_data_readies_are_left_out(running: Talker) -> None:
    running.board.inject(Fault.EXTRA_READY, 3)
    blocks = _blocks(running, 4000)
    assert any(block["flags"] & messages.BLOCK_GLITCH for block in blocks)
    assert blocks[-1]["lost"] == 0


def test_a_silent_chip_ends_the_run(running: Talker) -> None:
    running.board.inject(Fault.SILENT, 0)
    assert running.hear(messages.ERROR)["code"] == messages.CONVERTER_FAULT
    assert running.hear(messages.FINISHED)["reason"] == messages.CONVERTER_FAULT
    running.say(messages.CONFIGURE, request_id=7, rate_mhz=7_500_000, gain=0)
    assert running.hear(messages.ERROR)["code"] == messages.CONVERTER_FAULT  # idle, it says the same
    assert running.hear(messages.REFUSED)["code"] == messages.CONVERTER_SILENT


def test_stray_text_lies_between_frames(running: Talker) -> None:
    running.board.inject(Fault.STRAY_TEXT, 2)
    blocks = _blocks(running, 4000)
    assert "stray text, line 2 of 2" in "".join(running.reader.notices)
    assert [block["number"] for block in blocks] == list(range(len(blocks)))
    assert running.reader.damaged == 0


def test_a_board_reset_ends_the_process(running: Talker) -> None:
    running.board.inject(Fault.BOARD_RESET)
    said = b""
    deadline_s = time.monotonic() + 10
    while time.monotonic() < deadline_s and (data := os.read(running.board.line_out, 65536)):
        said += data
    assert b"board reset" in said
    assert running.board._process.wait(5) != 0


def test_a_reset_chip_does_not_go_unnoticed(running: Talker) -> None:
    running.board.inject(Fault.CHIP_RESET)
    # back at its reset rate of 30 kS/s, data-ready comes four times too often: the script ends the run
    assert "reset" in running.hear(messages.ERROR)["text"]
    assert running.hear(messages.FINISHED)["reason"] == messages.CONVERTER_FAULT
