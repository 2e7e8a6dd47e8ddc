"""Serial ports as they describe themselves."""

from __future__ import annotations

import os

import pytest
from serial.tools import list_ports
from serial.tools.list_ports_common import ListPortInfo
from standin import StandIn

from anviltrace.link.identity import Identity
from anviltrace.link.ports import ask_port, serial_ports


def usb(device: str, product: str | None) -> ListPortInfo:
    """A port as pyserial reports one."""
    port = ListPortInfo(device)
    port.vid, port.pid, port.product, port.manufacturer = 0x2E8A, 0x0005, product, "Works"
    port.serial_number, port.description = "e66", f"{product} - CDC"
    return port


def test_ports_of_usb_devices_come_first_and_nothing_is_made_up(monkeypatch: pytest.MonkeyPatch) -> None:
    plain = ListPortInfo("/dev/ttyS0")
    found = [plain, usb("/dev/ttyACM1", "Board"), usb("/dev/ttyACM0", None)]
    monkeypatch.setattr(list_ports, "comports", lambda: found)
    first, second, last = serial_ports()
    assert [first.device, second.device, last.device] == ["/dev/ttyACM0", "/dev/ttyACM1", "/dev/ttyS0"]
    assert (second.usb_id, second.product, second.serial_number) == ("2e8a:0005", "Board", "e66")
    assert first.product is None
    assert (last.usb_id, last.manufacturer, last.serial_number) == (None, None, None)


@pytest.mark.skipif(os.name != "posix", reason="the stand-in needs a pty")
def test_a_board_that_is_asked_tells_who_it_is() -> None:
    with StandIn() as board:
        answer = ask_port(board.url)
    assert isinstance(answer, Identity)
    assert (answer.board, answer.unique_id) == ("stand-in", "0001020304050607")


def test_a_port_without_board_tells_why() -> None:
    answer = ask_port("/dev/no-such-port")
    assert isinstance(answer, str)
    assert "does not exist" in answer
