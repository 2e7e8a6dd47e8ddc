"""A UART and the wire to the host: a byte takes ten bits, in virtual time, both ways.

What is written goes into a buffer of ``txbuf`` bytes that empties at the baud rate; a write takes what fits,
or None. What the host sent arrives a byte at a time. There is no flow control: bytes that the host does not
read are lost. It first has a while of wall time for it, as if its system kept them that long. The model has
no line errors and its receive buffer does not overflow.
"""

import io

import micropython

import clock
import console

_HOLD_UP_MS = 2000  # while time jumps
_KEPT_MS = 200  # in step with the wall
_POLL = 3
_IN = 1
_OUT = 4
_ERR = 8
_HUP = 16
_SECOND_PS = 1_000_000_000_000
_BITS = 10


class UART(io.IOBase):
    """Both directions of the line."""

    def __init__(self, number, baudrate=9600, *, tx=None, rx=None, txbuf=256, rxbuf=256):
        self._byte_ps = _BITS * _SECOND_PS // baudrate
        self._txbuf = txbuf
        self._rxbuf = rxbuf
        self._empty_ps = 0  # when the last byte written will have left
        self._arrives_ps = 0  # when the next byte of the host can have arrived

    def write(self, buffer, offset=0, count=-1):
        """Take what fits of ``buffer[offset:offset + count]``; return how many bytes, None for none."""
        if count < 0:
            count = len(buffer) - offset
        room = self._room()
        if room <= 0:
            return None
        if count > room:
            count = room
        self._empty_ps = max(self._empty_ps, clock.now_ps) + count * self._byte_ps
        if console.wait_for_room(_HOLD_UP_MS if clock.jumping else _KEPT_MS):
            console.write(buffer, offset, count)
        return count

    def readinto(self, buffer):
        """Take what has arrived, up to the length of ``buffer``; None where nothing has."""
        done = 0
        while done < len(buffer) and self._events() & _IN:
            byte = console.read_byte()
            if byte < 0:
                return done
            clock.heard()
            buffer[done] = byte
            done += 1
            earliest_ps = clock.now_ps - self._rxbuf * self._byte_ps
            self._arrives_ps = max(self._arrives_ps, earliest_ps) + self._byte_ps
        return done or None

    @micropython.native
    def ioctl(self, request, argument):
        """Answer polls."""
        if request != _POLL:
            return -1
        events = self._events()
        if self._room() > 0:
            events |= _OUT
        return events & (argument | _HUP | _ERR)

    @micropython.native
    def _events(self):
        if clock.now_ps < self._arrives_ps:
            return 0
        return console.wait(0)

    @micropython.native
    def _room(self):
        waiting_ps = self._empty_ps - clock.now_ps
        if waiting_ps <= 0:
            return self._txbuf
        return self._txbuf - (waiting_ps + self._byte_ps - 1) // self._byte_ps
