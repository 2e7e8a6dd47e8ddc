"""Opening the board's port: a serial device, any pyserial URL, or the virtual rig."""

from __future__ import annotations

import errno
import os
from pathlib import Path
from typing import Any

import serial
from serial.tools import list_ports

from anviltrace.errors import AnviltraceError, OpenError

VIRTUAL_HANDLERS = "anviltrace.virtual"
"""Package with our own URL handler, named only: nothing here imports the virtual rig."""

BAUDRATE = 921_600
"""For UARTs; USB takes no notice of it."""
READ_TIMEOUT_S = 0.02
WRITE_TIMEOUT_S = 2.0


def open_port(url: str) -> Any:
    """A pyserial object for ``url``; a device is locked against other programs where the system can do that.

    Raises:
        OpenError: there is no such port, it is in use, it may not be opened, or the scheme is unknown.
        AnviltraceError: whatever the virtual rig has to say about its scenario.
    """
    if VIRTUAL_HANDLERS not in serial.protocol_handler_packages:
        serial.protocol_handler_packages.append(VIRTUAL_HANDLERS)
    options: dict[str, Any] = {} if "://" in url else {"exclusive": True}
    try:
        return serial.serial_for_url(
            url, baudrate=BAUDRATE, timeout=READ_TIMEOUT_S, write_timeout=WRITE_TIMEOUT_S, **options
        )
    except AnviltraceError:
        raise
    except ValueError as error:
        raise OpenError(
            f"port {url!r}: {error}; give a serial device, virtual://SCENARIO or a URL that pyserial knows"
        ) from error
    except OSError as error:  # pyserial's SerialException is one
        raise OpenError(_explain(url, error)) from error


def _explain(url: str, error: OSError) -> str:
    text = " ".join(str(error).split())
    code = error.errno
    if "://" in url:
        return f"port {url!r} cannot be opened: {text}; check the address and that something listens there"
    if code == errno.ENOENT or "FileNotFoundError" in text:
        return f"port {url!r} does not exist; {_ports_there_are()}"
    if code in (errno.EACCES, errno.EPERM) and not _may_use(url):
        return f"port {url!r}: no permission; {_group_remedy(url)}"
    if code in (errno.EBUSY, errno.EAGAIN, errno.EACCES) or "PermissionError" in text:
        return f"port {url!r} is in use; close the other program that holds it"
    return f"port {url!r} cannot be opened: {text}; {_ports_there_are()}"


def _ports_there_are() -> str:
    names = [port.device for port in list_ports.comports()]
    if not names:
        return "no serial port was found: plug the board in, with a data cable"
    return f"these do: {', '.join(sorted(names))}"


def _may_use(path: str) -> bool:
    """Whether this user may read and write the device; True where the system has no such files."""
    return not os.path.exists(path) or os.access(path, os.R_OK | os.W_OK)


def _group_remedy(path: str) -> str:
    try:
        return f"join the group {Path(path).group()} that owns it, then log in again"
    except (OSError, KeyError, NotImplementedError):
        return "join the group that owns it (often dialout), then log in again"
