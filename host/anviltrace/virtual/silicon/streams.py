"""The serial line as the script sees it: streams over the real ones, with the board's small buffer.

The transmit buffer of the board's USB holds 256 bytes, so that is the most a write takes, and in ``WALL``
pace a write takes nothing when the host does not read. While time jumps a host that does not read holds
the board up, in wall time, for up to two seconds at a stretch; virtual time stands still then.
"""

import io

import micropython

import clock
import console

_FIFO = 256
_HOLD_UP_MS = 2000
_POLL = 3
_IN = 1
_OUT = 4
_ERR = 8
_HUP = 16


class Reader(io.IOBase):
    """Requests from the host. At the end of the stream polls say HUP and reads give nothing."""

    def readinto(self, buffer):
        """Take what has come, up to the length of ``buffer``; wait for the first byte."""
        done = 0
        while done < len(buffer):
            if done and not console.wait(0) & _IN:
                break
            byte = console.read_byte()
            if byte < 0:
                break
            clock.heard()
            buffer[done] = byte
            done += 1
        return done

    @micropython.native
    def ioctl(self, request, argument):
        """Answer polls."""
        if request != _POLL:
            return -1
        return console.wait(0) & (argument | _HUP | _ERR)


class Writer(io.IOBase):
    """Frames to the host."""

    def __init__(self):
        self._stuck = False

    def write(self, buffer, offset=0, count=-1):
        """Take up to 256 bytes of ``buffer[offset:offset + count]``; return how many."""
        if count < 0:
            count = len(buffer) - offset
        if count > _FIFO:
            count = _FIFO
        if not self._has_room():
            return 0
        console.write(buffer, offset, count)
        return count

    @micropython.native
    def ioctl(self, request, argument):
        """Answer polls."""
        if request != _POLL:
            return -1
        return _OUT & argument if self._has_room() else 0

    def _has_room(self):
        patience_ms = _HOLD_UP_MS if clock.jumping and not self._stuck else 0
        self._stuck = not console.wait_for_room(patience_ms)
        return not self._stuck
