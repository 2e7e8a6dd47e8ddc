"""Whole frames over streams that are given: USB, a UART, or a stand-in.

A stream offers ``readinto``, ``write(buffer, offset, count)`` and ``poll`` as MicroPython's do.
"""

import select
from time import sleep_us, ticks_diff, ticks_ms

from anvilwire.frame import HEADER_SIZE, MAX_REQUEST, OVERHEAD
from anvilwire.stuffing import stuffed_size, unstuff_into
from quick import is_sealed

TYPE_CHECKING = False
if TYPE_CHECKING:
    from typing import Any

NOTHING = -1
ESCAPE = -2
"""What :meth:`Byteport.receive` returns when no request is complete, or when someone wants the prompt."""

PATIENT_MS = 500
HASTY_MS = 20
"""How long a write waits for the other end to take something: at most, and for what can be sent again."""

_TRY_ANYWAY_MS = 2000
_TAKE = 256
_ROOM = stuffed_size(MAX_REQUEST)
_VERSION_THREE = 3


class PortClosedError(Exception):
    """The other end is gone for good. Only stand-in streams end; USB and UARTs fall silent."""


class Byteport:
    """Sends frames whole and finds requests, without allocating.

    ``request`` holds the last request found, unstuffed; ``length`` its bytes, CRC included. ``bad`` counts
    segments that were neither a request nor an escape, up to 65535.
    """

    def __init__(self, reader, writer):
        self._reader = reader
        self._writer = writer
        self._poller = select.poll()
        self._poller.register(reader, select.POLLIN)
        self._taker = select.poll()
        self._taker.register(writer, select.POLLOUT)
        self._stuck = False
        self._stuck_since: "Any" = 0
        self._byte = bytearray(1)
        self._segment = bytearray(_ROOM)
        self._filled = 0
        self.request = bytearray(_ROOM)
        self.length = 0
        self.bad = 0

    def write(self, buffer, count, limit_ms=PATIENT_MS):
        """Write ``buffer[:count]``; return False when the other end took nothing for ``limit_ms``.

        What was half written then is closed off by the zero in front of the next frame. From then on the
        port is stuck, and hasty writes return at once until it can take something.
        """
        if self._stuck and limit_ms < PATIENT_MS and not self._takes():
            return False
        done = 0
        since = ticks_ms()
        while done < count:
            wrote = self._writer.write(buffer, done, count - done)
            if wrote:
                done += wrote
                since = ticks_ms()
            elif ticks_diff(ticks_ms(), since) > limit_ms:
                self._stuck = True
                self._stuck_since = ticks_ms()
                return False
            else:
                sleep_us(100)
        self._stuck = False
        return True

    def receive(self):
        """The kind of the next complete request, or NOTHING, or ESCAPE. Takes at most 256 bytes."""
        for _ in range(_TAKE):
            if not self._read_byte():
                return NOTHING
            found = self._take(self._byte[0])
            if found != NOTHING:
                return found
        return NOTHING

    def field_u8(self, at):
        """One byte of the request's payload."""
        return self.request[HEADER_SIZE + at]

    def field_u16(self, at):
        """Two bytes of the request's payload."""
        at += HEADER_SIZE
        return self.request[at] | (self.request[at + 1] << 8)

    def field_number(self, at):
        """Four bytes of the request's payload, or -1 where the number needs more than 30 bits."""
        at += HEADER_SIZE
        request = self.request
        if request[at + 3] >= 64:
            return -1
        return request[at] | (request[at + 1] << 8) | (request[at + 2] << 16) | (request[at + 3] << 24)

    def payload_length(self):
        """Bytes between header and CRC."""
        return self.length - OVERHEAD

    def _takes(self):
        """Whether a stuck port says that it takes bytes again; one that never says so is tried at times."""
        for _, event in self._taker.ipoll(0):
            if event & select.POLLOUT:
                return True
        return ticks_diff(ticks_ms(), self._stuck_since) > _TRY_ANYWAY_MS

    def _read_byte(self):
        for _, event in self._poller.ipoll(0):
            if event & select.POLLIN:
                if self._reader.readinto(self._byte):
                    return True
                raise PortClosedError
            if event & (select.POLLHUP | select.POLLERR):
                raise PortClosedError
        return False

    def _take(self, byte):
        if byte == 0:
            return self._close_segment()
        if self._filled < _ROOM:
            self._segment[self._filled] = byte
        self._filled += 1
        if self._filled == 2 and byte == _VERSION_THREE and self._segment[0] in b"\r\x03":
            self._filled = 0
            return ESCAPE
        return NOTHING

    def _close_segment(self):
        filled = self._filled
        self._filled = 0
        if filled == 0:
            return NOTHING
        count = -1
        if filled <= _ROOM:
            count = unstuff_into(self._segment, 0, filled, self.request)
        if count < OVERHEAD or not is_sealed(self.request, count):
            if self.bad < 0xFFFF:
                self.bad += 1
            return NOTHING
        self.length = count
        return self.request[1]
