"""The serial ports of this computer, as they describe themselves, and the boards behind them."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from serial.tools import list_ports

from anviltrace.errors import AnviltraceError
from anviltrace.link.identity import Identity
from anviltrace.link.port import open_port
from anviltrace.link.session import Session

PATIENCE_S = 3.0
"""How long a port may take to answer: a board that opening the port powered up first waits two seconds."""


@dataclass(frozen=True, slots=True)
class SerialPort:
    """A port with what its USB device reports, each None where it reports nothing.

    ``usb_id`` is vendor and product number in hexadecimal, ``vvvv:pppp``.
    """

    device: str
    description: str | None
    manufacturer: str | None
    product: str | None
    serial_number: str | None
    usb_id: str | None
    location: str | None


def serial_ports() -> list[SerialPort]:
    """All serial ports of this computer, those of USB devices first, then by name. Opens none."""
    ports = [_described(found) for found in list_ports.comports()]
    return sorted(ports, key=lambda port: (port.usb_id is None, port.device))


def ask_port(device: str, open_it: Callable[[str], Any] = open_port) -> Identity | str:
    """The identity of the anviltrace board on a port, or why there is none, in a sentence.

    Bytes are sent to whatever is there: ask only where that does no harm. A run that an earlier program
    left going is stopped.
    """
    try:
        with Session(open_it(device), PATIENCE_S) as session:
            return session.identity
    except AnviltraceError as error:
        return str(error)


def _described(found: Any) -> SerialPort:
    """pyserial writes ``n/a`` where it knows nothing."""
    usb_id = None if found.vid is None else f"{found.vid:04x}:{found.pid:04x}"
    return SerialPort(
        found.device,
        _told(found.description),
        _told(found.manufacturer),
        _told(found.product),
        _told(found.serial_number),
        usb_id,
        _told(found.location),
    )


def _told(text: str | None) -> str | None:
    stripped = (text or "").strip()
    return None if stripped in ("", "n/a") else stripped
