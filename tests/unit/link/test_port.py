"""Opening a port, and the one line that says why it cannot be opened."""

from __future__ import annotations

import errno
import os
import socket
import subprocess
import sys
from pathlib import Path

import pytest
import serial
from standin import StandIn

from anviltrace.errors import OpenError, PlanError
from anviltrace.link import port as port_module
from anviltrace.link.port import open_port

posix_only = pytest.mark.skipif(os.name != "posix", reason="device files and locks as POSIX has them")


def complaint(url: str) -> str:
    with pytest.raises(OpenError) as caught:
        open_port(url)
    message = str(caught.value)
    assert "\n" not in message
    assert caught.value.exit_code == 3
    return message


def pretend_ports(monkeypatch: pytest.MonkeyPatch, *devices: str) -> None:
    from serial.tools.list_ports_common import ListPortInfo

    found = [ListPortInfo(device) for device in devices]
    monkeypatch.setattr(port_module.list_ports, "comports", lambda: found)


def test_no_such_port_lists_those_that_exist(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    pretend_ports(monkeypatch, "/dev/ttyACM7", "/dev/ttyACM3")
    message = complaint(str(tmp_path / "ttyNONE"))
    assert "does not exist" in message
    assert "/dev/ttyACM3, /dev/ttyACM7" in message


def test_no_such_port_where_there_is_none(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    pretend_ports(monkeypatch)
    assert "plug the board in" in complaint(str(tmp_path / "ttyNONE"))


@posix_only
def test_busy_port() -> None:
    with StandIn() as board:
        holder = open_port(board.url)
        try:
            assert "in use" in complaint(board.url)
        finally:
            holder.close()
        open_port(board.url).close()


@posix_only
def test_busy_in_another_process() -> None:
    hold = (
        "import serial,sys; p=serial.Serial(sys.argv[1], exclusive=True); print('held',flush=True); input()"
    )
    with StandIn() as board:
        other = subprocess.Popen(
            [sys.executable, "-c", hold, board.url], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
        )
        with other:
            assert other.stdout is not None
            assert other.stdout.readline() == "held\n"
            assert "in use" in complaint(board.url)
            other.communicate("\n")


@posix_only
def test_permission_names_the_group(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    device = tmp_path / "ttyLOCKED"
    device.touch()

    def refuse(*_: object, **__: object) -> None:
        raise serial.SerialException(errno.EACCES, "could not open port: Permission denied")

    monkeypatch.setattr(serial, "serial_for_url", refuse)
    monkeypatch.setattr(os, "access", lambda *_: False)
    message = complaint(str(device))
    assert "no permission" in message
    assert device.group() in message


def test_unknown_scheme() -> None:
    message = complaint("telegraph://somewhere")
    assert "telegraph" in message
    assert "virtual://SCENARIO" in message


def test_nobody_listens_at_the_address() -> None:
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        url = f"socket://127.0.0.1:{free.getsockname()[1]}"
    assert "listens" in complaint(url)


def test_what_the_virtual_rig_says_comes_through(monkeypatch: pytest.MonkeyPatch) -> None:
    def refuse(*_: object, **__: object) -> None:
        raise PlanError("no scenario of this name: choose from a, b")

    monkeypatch.setattr(serial, "serial_for_url", refuse)
    with pytest.raises(PlanError, match="choose from a, b"):
        open_port("virtual://nowhere")


def test_the_handler_of_the_virtual_rig_is_registered_once_and_not_imported() -> None:
    script = (
        "import sys, serial; from anviltrace.link.port import open_port\n"
        "for _ in range(2): open_port('loop://').close()\n"
        "assert serial.protocol_handler_packages.count('anviltrace.virtual') == 1\n"
        "assert not [name for name in sys.modules if name.startswith('anviltrace.virtual')]\n"
    )
    subprocess.run([sys.executable, "-c", script], check=True)
