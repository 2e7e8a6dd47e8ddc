"""The way out: frames built in memory that was set aside at power-up, numbered in the order they leave."""

import struct

from anvilwire import messages as m
from anvilwire.frame import HEADER, HEADER_SIZE, VERSION
from anvilwire.stuffing import stuffed_size
from byteport import HASTY_MS, PATIENT_MS
from quick import frame_into

_OUTBOX = 512
_TEXT_MOST = 400


class Outbox:
    """One frame on its way out; ``raw`` holds its payload from HEADER_SIZE on."""

    def __init__(self):
        self.raw = bytearray(_OUTBOX)
        self.wire = bytearray(2 + stuffed_size(_OUTBOX))
        self.kind = 0
        self.length = 0

    def seal(self, sequence):
        """Turn the payload that lies in ``raw`` into a frame in ``wire``; return the frame's length."""
        struct.pack_into(HEADER, self.raw, 0, VERSION, self.kind, 0, sequence)
        return frame_into(self.raw, HEADER_SIZE + self.length, self.wire)

    def load(self, kind, payload):
        """Put a payload that was built elsewhere into the box."""
        self.kind = kind
        self.length = len(payload)
        self.raw[HEADER_SIZE : HEADER_SIZE + self.length] = payload


class Sender:
    """Hands frames to the port. ``events`` is the box for all that nobody asked for."""

    def __init__(self, port):
        self.events = Outbox()
        self._port = port
        self._sequence = 0

    def send(self, box, patience_ms=PATIENT_MS):
        """Send what lies in an outbox."""
        self._write(box, box.seal(self._sequence), patience_ms)

    def send_block(self, block, number):
        """Send a block that is kept; return False when the link does not take it now."""
        return self._write(block, block.seal(number, self._sequence), HASTY_MS)

    def send_side(self, side):
        """Send the message of a side sensor, and let it begin the next."""
        self._write(side, side.seal(self._sequence), HASTY_MS)
        side.advance()

    def say(self, code, text):
        """Send an ERROR frame."""
        self.events.load(m.ERROR, m.pack(m.ERROR, code=code, text=text[-_TEXT_MOST:]))
        self.send(self.events)

    def _write(self, source, length, patience_ms):
        self._sequence = (self._sequence + 1) & 0xFFFF
        return self._port.write(source.wire, length, patience_ms)
