"""``anviltrace board list``."""

from __future__ import annotations

import json
import os

import pytest
from click.testing import CliRunner
from serial.tools import list_ports
from serial.tools.list_ports_common import ListPortInfo
from standin import StandIn

from anviltrace.cli.main import cli
from anvilwire import messages


@pytest.fixture
def found(monkeypatch: pytest.MonkeyPatch) -> list[ListPortInfo]:
    """What pyserial finds; a test adds to it."""
    ports: list[ListPortInfo] = []
    monkeypatch.setattr(list_ports, "comports", lambda: ports)
    return ports


def usb(device: str) -> ListPortInfo:
    port = ListPortInfo(device)
    port.vid, port.pid, port.manufacturer, port.product = 0x1234, 0xABC, "Works", "Board in FS mode"
    return port


@pytest.mark.skipif(os.name != "posix", reason="the stand-in needs a pty")
def test_nothing_is_sent_unless_asked_for(found: list[ListPortInfo]) -> None:
    with StandIn() as board:
        found.append(usb(board.url))
        result = CliRunner().invoke(cli, ["board", "list"])
    assert board.heard == []
    assert result.exit_code == 0
    assert "Works Board in FS mode" in result.stdout
    assert "1234:0abc" in result.stdout


@pytest.mark.skipif(os.name != "posix", reason="the stand-in needs a pty")
def test_asked_boards_say_who_they_are(found: list[ListPortInfo]) -> None:
    with StandIn() as board:
        found += [usb(board.url), usb("/dev/no-such-port"), ListPortInfo("/dev/ttyS9")]
        result = CliRunner().invoke(cli, ["board", "list", "--ask", "--json"])
    assert messages.IDENTITY in board.heard
    absent, there = json.loads(result.stdout)  # by name
    assert there["board"] == "stand-in"
    assert there["usb_id"] == "1234:0abc"
    assert absent["board"] is None
    assert "does not exist" in absent["no_board_because"]


def test_ports_without_usb_device_are_shown_when_wanted(found: list[ListPortInfo]) -> None:
    found.append(ListPortInfo("/dev/ttyS9"))
    runner = CliRunner()
    usual = runner.invoke(cli, ["board", "list"])
    assert usual.stdout == ""
    assert "1 without USB device not shown" in usual.stderr
    assert "plug the board in" in usual.stderr
    every = runner.invoke(cli, ["board", "list", "--all", "--json"])
    assert [port["device"] for port in json.loads(every.stdout)] == ["/dev/ttyS9"]
