"""The block of samples being filled, in memory that was set aside at power-up."""

import struct
from time import ticks_diff

from anvilwire.frame import CRC_SIZE, HEADER, HEADER_SIZE, VERSION
from anvilwire.messages import (
    BLOCK,
    BLOCK_AFTER_LOSS,
    BLOCK_AGE_S,
    BLOCK_GLITCH,
    BLOCK_HEADER,
    BLOCK_HEADER_SIZE,
    BLOCK_SAMPLES,
    BLOCK_SATURATED,
)
from anvilwire.stuffing import stuffed_size
from quick import frame_into, take_samples

_BODY = HEADER_SIZE + BLOCK_HEADER_SIZE
_AGE_US = int(BLOCK_AGE_S * 1_000_000)
SAMPLE_BYTES = 3
CHANNELS = 1


class Block:
    """The block being filled, and the counters of the run it belongs to.

    A converter calls :meth:`put` or :meth:`take` for samples, :meth:`lose` for samples it had to leave out
    and :meth:`mark_glitch` for one it does not trust. Losses lie between blocks, never inside one.
    """

    def __init__(self):
        size = _BODY + BLOCK_SAMPLES * SAMPLE_BYTES + CRC_SIZE
        self.raw = bytearray(size)
        self.wire = bytearray(2 + stuffed_size(size))
        self.open_run(0, 0)

    def open_run(self, run_id, settings_id):
        """Begin a run: every counter at zero."""
        self.run_id = run_id
        self.settings_id = settings_id
        self.number = 0
        self.next_index = 0
        self.lost = 0
        self.saturated = 0
        self._empty()

    def room(self):
        """Samples that still fit."""
        return BLOCK_SAMPLES - self.count

    def put(self, code, tick):
        """Add one sample: a signed 24-bit code and the tick at which it was ready."""
        at = _BODY + self.count * SAMPLE_BYTES
        raw = self.raw
        raw[at] = code & 255
        raw[at + 1] = (code >> 8) & 255
        raw[at + 2] = (code >> 16) & 255
        self._added(1, tick, tick)
        if code == 8388607 or code == -8388608:
            self._note_saturated(1)

    def take(self, ring, first, count, tick_first, tick_last):
        """Add ``count`` samples from a ring of 3-byte samples, most significant byte first."""
        at = _BODY + self.count * SAMPLE_BYTES
        saturated = take_samples(ring, first, count, self.raw, at)
        self._added(count, tick_first, tick_last)
        if saturated:
            self._note_saturated(saturated)

    def lose(self, count):
        """Leave out ``count`` samples. Only an empty block can start after a loss."""
        self.next_index += count
        self.first_index = self.next_index
        self.lost += count
        self.flags |= BLOCK_AFTER_LOSS

    def mark_glitch(self):
        """The converter does not trust a sample it just delivered or left out."""
        self.flags |= BLOCK_GLITCH

    def is_due(self, now):
        """Whether the block must go out: it is full, or its first sample is 50 ms old."""
        if self.count == 0:
            return False
        return self.count == BLOCK_SAMPLES or ticks_diff(now, self.tick_first) >= _AGE_US

    def seal(self, sequence):
        """Turn the block into a frame in ``wire``; return the frame's length."""
        raw = self.raw
        struct.pack_into(HEADER, raw, 0, VERSION, BLOCK, 0, sequence)
        struct.pack_into(
            BLOCK_HEADER,
            raw,
            HEADER_SIZE,
            self.run_id,
            self.number,
            self.first_index,
            self.tick_first,
            self.tick_last,
            self.count,
            SAMPLE_BYTES,
            CHANNELS,
            self.flags,
            self.lost,
            self.settings_id,
        )
        return frame_into(raw, _BODY + self.count * SAMPLE_BYTES, self.wire)

    def advance(self):
        """Begin the next block of the run."""
        self.number += 1
        self._empty()

    def _empty(self):
        self.first_index = self.next_index
        self.tick_first = 0
        self.tick_last = 0
        self.count = 0
        self.flags = 0

    def _added(self, count, tick_first, tick_last):
        if self.count == 0:
            self.tick_first = tick_first
        self.tick_last = tick_last
        self.count += count
        self.next_index += count

    def _note_saturated(self, count):
        self.saturated += count
        self.flags |= BLOCK_SATURATED
