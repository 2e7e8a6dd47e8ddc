"""An open port kept drained: a thread reads whatever arrives and keeps the heartbeat going.

So nothing is lost and the board stays in touch while the program waits for a person or for the disk.
"""

from __future__ import annotations

import contextlib
import threading
import time
from typing import Any

import serial

from anviltrace.errors import SilentError, TalkError, UnpluggedError
from anviltrace.link.port import READ_TIMEOUT_S
from anvilwire import frame, messages

READ_MOST = 1 << 16

HOARD_BYTES = 1 << 26
"""Bytes kept for a caller who does not come for them; past that the board has to wait."""

GATHER_S = 0.005
"""How long the first bytes wait for company."""


class Line:
    """Frames to, and bytes from, an open pyserial port.

    While ``beating``, a heartbeat goes out whenever half a second has passed without any other frame. Both
    directions raise UnpluggedError once the port is gone, :meth:`take` only when everything that arrived
    before has been taken.
    """

    def __init__(self, port: Any) -> None:
        self.port = port
        self.beating = False
        self._sequence = 0
        self._sent_at = time.monotonic()
        self._sending = threading.Lock()
        self._arrival = threading.Condition()
        self._arrived: list[bytes] = []
        self._hoarded = 0
        self._failure: UnpluggedError | None = None
        self._closing = False
        self._tells_waiting = not self.name.startswith("socket:")
        self._thread = threading.Thread(target=self._run, name=f"line {self.name}", daemon=True)
        self._thread.start()

    @property
    def name(self) -> str:
        """The port's name, for messages."""
        return str(self.port.port)

    def send(self, kind: int, payload: bytes = b"") -> None:
        """Send one frame. Raises UnpluggedError, or SilentError when the board does not take it."""
        with self._sending:
            self._write(frame.build(kind, self._sequence, payload))
            self._sequence += 1

    def beat(self) -> None:
        """Send a heartbeat. If the port has gone, :meth:`take` says so after handing out the rest."""
        with contextlib.suppress(TalkError):
            self.send(messages.HOST_ALIVE)

    def send_delimiter(self) -> None:
        """Send a single zero, which closes off whatever the board has in its buffer."""
        with self._sending:
            self._write(frame.DELIMITER)

    def take(self, timeout_s: float) -> bytes:
        """Everything that has arrived; waits up to ``timeout_s`` for the first byte, then returns b"".

        Who can wait gets a little more at a time: many blocks cost hardly more work than one.
        """
        if timeout_s > 0 and self._wait(timeout_s):
            time.sleep(min(GATHER_S, timeout_s))
        with self._arrival:
            data, self._arrived = b"".join(self._arrived), []
            self._hoarded = 0
            self._arrival.notify_all()
        if not data and self._failure is not None:
            raise self._failure
        return data

    def _wait(self, timeout_s: float) -> bool:
        """Whether bytes are there, or come within the time given."""
        with self._arrival:
            if not self._arrived and self._failure is None:
                self._arrival.wait(timeout_s)
            return bool(self._arrived)

    def close(self) -> None:
        """Stop the thread and close the port."""
        self._closing = True
        self._thread.join()
        with contextlib.suppress(OSError):  # it may have gone already
            self.port.close()

    def _run(self) -> None:
        try:
            while not self._closing:
                self._deliver(self._read())
                if self.beating and time.monotonic() - self._sent_at >= messages.HOST_ALIVE_S:
                    self.beat()
        except Exception as error:  # drivers raise more than OSError when a device disappears
            with self._arrival:
                self._failure = self._unplugged(error)
                self._arrival.notify_all()

    def _read(self) -> bytes:
        wanted = max(1, self.port.in_waiting) if self._tells_waiting else READ_MOST
        return bytes(self.port.read(min(READ_MOST, wanted)))

    def _deliver(self, data: bytes) -> None:
        if not data:
            return
        with self._arrival:
            while self._hoarded > HOARD_BYTES and not self._closing:
                self._arrival.wait(READ_TIMEOUT_S)
            self._arrived.append(data)
            self._hoarded += len(data)
            self._arrival.notify_all()

    def _write(self, data: bytes) -> None:
        try:
            self.port.write(data)
        except serial.SerialTimeoutException as error:
            raise SilentError(
                f"the board on {self.name} takes no bytes: press its reset or unplug it, then start again"
            ) from error
        except OSError as error:
            raise self._unplugged(error) from error
        self._sent_at = time.monotonic()

    def _unplugged(self, error: Exception) -> UnpluggedError:
        reason = " ".join(str(error).split())
        return UnpluggedError(
            f"port {self.name} has gone away ({reason}): check cable and plug, then start again"
        )
