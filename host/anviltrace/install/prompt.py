"""From whatever the board is doing to its MicroPython prompt."""

from __future__ import annotations

import contextlib
import time
from collections.abc import Callable
from typing import Any

from anviltrace.errors import AnviltraceError, InstallError, OpenError
from anviltrace.link.port import open_port
from anviltrace.link.session import FIRST_CONTACT_S, Session

RESTART_S = 12.0
"""How long a board may take to the prompt: its watchdog's restart, and the USB port coming back."""
_ANSWER_S = 0.8
_POKE = b"\r\x03\x02"
"""Ctrl-C ends what runs, Ctrl-B leaves the raw prompt."""

HOW_TO_GET_MICROPYTHON = """\
Getting MicroPython onto a board: fetch the newest stable .uf2 file made for exactly your board from
https://micropython.org/download, hold the board's BOOTSEL button while you plug it in, and copy the file
onto the drive that appears; the board restarts by itself. Boards without such a drive: as their page there
says. Then run this again."""


def reach_prompt(
    port: str,
    *,
    tell: Callable[[str], None] = lambda words: None,  # noqa: ARG005
    open_it: Callable[[str], Any] = open_port,
    patience_s: float = FIRST_CONTACT_S,
    restart_s: float = RESTART_S,
) -> None:
    """Bring the board on a port to its prompt: by Ctrl-C, else by asking the anviltrace script to leave.

    A run that an earlier program left going is stopped. Where neither helps it goes on trying for
    ``restart_s`` and tells that a person may restart the board meanwhile.

    Raises:
        OpenError: the port cannot be opened.
        InstallError: no prompt appears.
    """
    if is_at_prompt(open_it(port)):
        return
    running = False
    try:
        with Session(open_it(port), patience_s) as session:
            running = True
            session.quit()
    except AnviltraceError:
        pass  # it may be restarting already: Ctrl-C does that too
    began = time.monotonic()
    told = running
    while (waited_s := time.monotonic() - began) < restart_s:
        with contextlib.suppress(OpenError):  # gone during its restart
            if is_at_prompt(open_it(port)):
                return
        if not told and waited_s > restart_s / 4:  # a restart of its own takes less
            tell("No prompt yet: unplug the board and plug it in again while this goes on trying")
            told = True
        time.sleep(0.1)
    raise InstallError(_why(port, running))


def is_at_prompt(port: Any) -> bool:
    """Whether MicroPython's prompt answers on an open port, which is closed then."""
    said = b""
    try:
        port.write(_POKE)
        deadline = time.monotonic() + _ANSWER_S
        while b">>>" not in said and time.monotonic() < deadline:
            said += port.read(256)
    except OSError:  # it goes away when the board restarts
        return False
    finally:
        with contextlib.suppress(OSError):
            port.close()
    return b">>>" in said


def _why(port: str, running: bool) -> str:
    if running:
        return (
            f"the board on {port} runs the anviltrace script and does not leave it: run this again and then "
            "unplug and replug the board, or hold its escape pin low while you do; nothing was changed"
        )
    return (
        f"on {port} neither MicroPython's prompt nor the anviltrace script answers: check that it is the "
        "board's port, run this again and then unplug and replug the board; nothing was changed"
    )
