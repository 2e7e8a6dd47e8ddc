"""Blocks that the host asked for once more: they leave one by one, behind those of the run."""

import struct

from anvilwire import messages as m
from anvilwire.frame import HEADER_SIZE


class Resending:
    """Which blocks of the last run are still to be sent again; none of a run that just began."""

    def __init__(self, block, sender):
        self._block = block
        self._sender = sender
        self._next = 0
        self._end = 0

    def pending(self):
        """Whether any are left."""
        return self._next < self._end

    def forget(self):
        """Send none of them any more."""
        self._next = 0
        self._end = 0

    def ask(self, asked, count, box, request_id):
        """Note ``count`` blocks from number ``asked`` on; load the reply that says which are still there."""
        block = self._block
        if asked < 0 or asked > block.number:
            asked = block.number
        oldest = block.oldest()
        end = asked + min(count, block.number - asked)
        self._next = min(max(asked, oldest), end)
        self._end = end
        box.kind = m.RESENDING
        box.length = 17
        struct.pack_into(
            "<BHIHII",
            box.raw,
            HEADER_SIZE,
            request_id,
            block.run_id,
            self._next,
            end - self._next,
            oldest,
            block.number,
        )

    def turn(self):
        """Send one of them, unless the live ones are in a hurry."""
        block = self._block
        if block.count > m.BLOCK_SAMPLES // 2:
            return
        number = max(self._next, block.oldest())  # some may be gone since
        self._next = number + 1
        if number < self._end and not self._sender.send_block(block, number):
            self._end = 0  # the link takes nothing: the host has to ask once more
