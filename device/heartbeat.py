"""The sign of life that the board sends every so often, whatever it does."""

import struct
from time import ticks_diff

from anvilwire import messages as m
from anvilwire.frame import HEADER_SIZE
from byteport import HASTY_MS

_ALIVE_US = int(m.BOARD_ALIVE_S * 1_000_000)


class Heartbeat:
    """When the last BOARD_ALIVE was, and the next one."""

    def __init__(self, port, run, sender, now):
        self._port = port
        self._run = run
        self._sender = sender
        self._beaten = now

    def turn(self, now):
        """Send one when its time has come."""
        if ticks_diff(now, self._beaten) < _ALIVE_US:
            return
        self._beaten = now
        block = self._run.block
        box = self._sender.events
        box.kind = m.BOARD_ALIVE
        box.length = 17
        struct.pack_into(
            "<BHIIIH",
            box.raw,
            HEADER_SIZE,
            self._run.state,
            block.run_id,
            now,
            block.next_index,
            block.lost,
            self._port.bad,
        )
        self._sender.send(box, HASTY_MS)
