"""The pyserial side of the virtual board."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
import serial

from anviltrace.errors import OpenError, PlanError
from anviltrace.link.port import open_port
from anviltrace.link.session import Session
from anviltrace.virtual.protocol_virtual import Address, parse_url
from anvilwire import frame, messages

URL = "virtual://fishplate-held?seed=1&interpreter=cpython"
ASK = frame.build(messages.IDENTITY, 0, messages.pack(messages.IDENTITY, request_id=1))


@pytest.fixture
def port() -> Iterator[Any]:
    opened = open_port(URL)
    yield opened
    opened.close()


def _read_for_ever(port: Any) -> None:
    while True:
        port.read(1_000_000)


@pytest.mark.parametrize(
    ("url", "address"),
    [
        ("virtual://fishplate-held", Address("fishplate-held")),
        ("virtual://./my%20rig.toml?seed=7", Address("./my rig.toml", seed=7)),
        ("virtual:///home/a/rig.toml?clock=wall", Address("/home/a/rig.toml", clock="wall")),
        (
            "virtual://x?interpreter=cpython&ticks=1073741823",
            Address("x", interpreter="cpython", ticks=1073741823),
        ),
    ],
)
def test_urls(url: str, address: Address) -> None:
    assert parse_url(url) == address


@pytest.mark.parametrize(
    ("url", "words"),
    [
        ("virtual://", "name a scenario"),
        ("virtual://x?sed=1", "unknown option sed"),
        ("virtual://x?seed=-1", "whole number"),
        ("virtual://x?seed=", "whole number"),
        ("virtual://x?seed=1&seed=2", "given twice"),
        ("virtual://x?clock=sun", "choose jump or wall"),
        ("virtual://x?interpreter=basic", "choose micropython or cpython"),
        ("virtual://x?ticks=1073741824", "from 0 to 1073741823"),
    ],
)
def test_urls_that_make_no_sense(url: str, words: str) -> None:
    with pytest.raises(OpenError, match=words):
        open_port(url)


def test_an_unknown_scenario_is_named_together_with_those_there_are() -> None:
    with pytest.raises(PlanError, match=r"'fishplate-hold'.*fishplate-held"):
        open_port("virtual://fishplate-hold")


def test_a_scenario_in_a_file(tmp_path: Path, root: Path) -> None:
    text = (root / "host/anviltrace/virtual/scenarios/fishplate-fixed.toml").read_text(encoding="utf-8")
    path = tmp_path / "my rig.toml"
    path.write_text(text, encoding="utf-8")
    opened = open_port(f"virtual://{path}?interpreter=cpython")
    opened.close()


def test_the_handler_imports_little() -> None:
    code = (
        "import sys; import anviltrace.virtual.protocol_virtual; "
        "print([name for name in ('numpy', 'scipy', 'anviltrace.virtual.board') if name in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"


def test_reads_what_there_is(port: Any) -> None:
    port.timeout = 0.1
    port.write(ASK)
    reader, found = frame.FrameReader(), []
    deadline_s = time.monotonic() + 10.0
    while messages.IDENTIFIED not in found and time.monotonic() < deadline_s:
        waiting = port.in_waiting
        data = port.read(max(waiting, 1))
        assert len(data) >= waiting
        found += [received.kind for received in reader.feed(data)]
    assert messages.IDENTIFIED in found


def test_a_read_in_pieces_takes_no_byte_too_many(port: Any) -> None:
    os.kill(port.board._process.pid, signal.SIGSTOP)
    time.sleep(0.05)
    port.reset_input_buffer()

    def arrive(data: bytes) -> None:
        with port._changed:
            port._received += data
            port._changed.notify_all()

    arrive(bytes(range(10)))
    threading.Timer(0.1, arrive, [bytes(range(10, 110))]).start()
    port.timeout = 5.0
    assert port.read(15) == bytes(range(15))
    assert port.read(95) == bytes(range(15, 110))


def test_a_read_times_out(port: Any) -> None:
    port.reset_input_buffer()
    for timeout_s in (0, 0.1):
        port.timeout = timeout_s
        began_s = time.monotonic()
        port.read(100_000)
        assert timeout_s <= time.monotonic() - began_s < timeout_s + 0.5


def test_a_read_can_be_cancelled(port: Any) -> None:
    port.timeout = None
    threading.Timer(0.1, port.cancel_read).start()
    port.read(1_000_000)


def test_a_write_times_out_when_the_board_does_not_listen(port: Any) -> None:
    os.kill(port.board._process.pid, signal.SIGSTOP)
    port.write_timeout = 0.2
    began_s = time.monotonic()
    with pytest.raises(serial.SerialTimeoutException):
        port.write(bytes(1_000_000))
    assert time.monotonic() - began_s < 2.0


def test_a_reader_that_does_not_read_holds_the_board_up(port: Any) -> None:
    # nothing is lost however long the host sleeps: a full buffer stops the board, not the signal
    with Session(port) as session:
        settings = session.configure()
        session.start(1)
        time.sleep(1.5)
        samples = 0
        while samples < 3 * settings.rate_hz:
            for event in session.poll():
                if type(event).__name__ == "Blocks":
                    samples += len(event.samples)
                    assert (event.table["lost"] == 0).all()
        assert session.stop().unsent_blocks == 0


def test_unplugging(port: Any) -> None:
    port.write(ASK)
    port.operator.unplug()
    port.timeout = 0.5
    with pytest.raises(serial.SerialException, match="unplugged"):
        port.read(1)
    with pytest.raises(serial.SerialException):
        port.write(ASK)
    with pytest.raises(OSError, match="unplugged"):
        _ = port.in_waiting
    assert not port.board.is_alive


def test_unplugging_wakes_a_read_that_waits(port: Any) -> None:
    port.timeout = None
    threading.Timer(0.1, port.unplug).start()
    with pytest.raises(serial.SerialException, match="unplugged"):
        _read_for_ever(port)


def test_a_board_that_ends_is_a_port_that_is_gone(port: Any) -> None:
    port.board.cut_power()
    port.timeout = 2.0
    with pytest.raises(serial.SerialException, match="disconnected"):
        _read_for_ever(port)


def test_a_board_at_its_prompt_is_gone_too(port: Any) -> None:
    port.timeout = 2.0
    port.write(b"\x00\x03\x03")
    with pytest.raises(serial.SerialException, match="disconnected"):
        _read_for_ever(port)


def test_closing_ends_the_process_and_the_threads() -> None:
    threads = set(threading.enumerate())
    opened = open_port(URL)
    process = opened.board._process
    opened.close()
    opened.close()
    assert process.returncode is not None
    assert set(threading.enumerate()) == threads
    with pytest.raises(serial.PortNotOpenError):
        opened.read(1)
    opened.open()
    assert opened.board.is_alive
    opened.close()


def test_the_same_scenario_is_the_same_board() -> None:
    numbers = []
    for seed in (1, 2):
        with Session(open_port(f"virtual://fishplate-held?seed={seed}&interpreter=cpython")) as session:
            numbers.append(session.identity.unique_id)
    assert numbers[0] == numbers[1]


def test_the_converter_of_the_scenario_is_on_the_board() -> None:
    with Session(open_port("virtual://deadweight-hx711?seed=1&interpreter=cpython")) as session:
        assert session.identity.converter == "hx711"
