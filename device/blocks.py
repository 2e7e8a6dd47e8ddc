"""The block of samples being filled, and those before it, in memory that was set aside at power-up."""

import gc
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
from quick import first_beyond, frame_into, mean_of, take_samples, take_words

_BODY = HEADER_SIZE + BLOCK_HEADER_SIZE
_SLOT = _BODY + BLOCK_SAMPLES * 3 + CRC_SIZE
_AGE_US = int(BLOCK_AGE_S * 1_000_000)
_SEQUENCE_AT = 3
_COUNT_AT = HEADER_SIZE + 18
SAMPLE_BYTES = 3
CHANNELS = 1
SLOTS = 64
"""Blocks kept in memory, the one being filled among them: 52 kB of the 160 a Pico leaves to a script."""

_SPARE = 30
"""Slots' worth of memory, 24 kB, left to what the script still needs."""


def _set_aside(most):
    """So many slots, or as many as there is room for beside what the script still needs; two at least."""
    gc.collect()
    slots: "list[bytearray]" = []
    try:
        while len(slots) < most + _SPARE:
            slots.append(bytearray(_SLOT))
    except MemoryError:
        pass
    del slots[max(2, len(slots) - _SPARE) :]
    while len(slots) < 2:
        slots.append(bytearray(_SLOT))
    return slots


class Block:
    """The block being filled, the counters of the run it belongs to, and the run's last blocks.

    Each block is filled in the next of ``slots`` slots, so that the last ones stay where they are until
    their slot's turn comes again: they can be sent once more, and a burst is nothing but a run whose blocks
    are sent only then. While ``patient``, a block goes on until it is full, however old.

    A converter calls :meth:`put` or :meth:`take` for samples, :meth:`lose` for samples it had to leave out
    and :meth:`mark_glitch` for one it does not trust; one whose limits are not those of 24 bits calls
    :meth:`mark_saturated`. Losses lie between blocks, never inside one.
    """

    def __init__(self):
        self._kept = _set_aside(SLOTS)
        self.slots = len(self._kept)
        self.wire = bytearray(2 + stuffed_size(_SLOT))
        self.patient = False
        self.open_run(0, 0)

    def open_run(self, run_id, settings_id):
        """Begin a run: every counter at zero, nothing kept."""
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
            self.mark_saturated(1)

    def take(self, ring, first, count, tick_first, tick_last):
        """Add ``count`` samples from a ring of 3-byte samples, most significant byte first."""
        at = _BODY + self.count * SAMPLE_BYTES
        saturated = take_samples(ring, first, count, self.raw, at)
        self._added(count, tick_first, tick_last)
        if saturated:
            self.mark_saturated(saturated)

    def take_words(self, ring, first, count, tick_first, tick_last):
        """Add ``count`` samples from a ring of words of 4 bytes: one of something else, the code's three."""
        at = _BODY + self.count * SAMPLE_BYTES
        saturated = take_words(ring, first, count, self.raw, at)
        self._added(count, tick_first, tick_last)
        if saturated:
            self.mark_saturated(saturated)

    def lose(self, count):
        """Leave out ``count`` samples. Only an empty block can start after a loss."""
        self.next_index += count
        self.first_index = self.next_index
        self.lost += count
        self.flags |= BLOCK_AFTER_LOSS

    def mark_saturated(self, count):
        """So many samples just added lie at the converter's limit."""
        self.saturated += count
        self.flags |= BLOCK_SATURATED

    def mark_glitch(self):
        """The converter does not trust a sample it just delivered or left out."""
        self.flags |= BLOCK_GLITCH

    def is_due(self, now):
        """Whether the block must go out: it is full, or its first sample is 50 ms old."""
        if self.count == 0:
            return False
        if self.count == BLOCK_SAMPLES:
            return True
        return not self.patient and ticks_diff(now, self.tick_first) >= _AGE_US

    def advance(self):
        """Keep the block as it is and begin the next of the run."""
        struct.pack_into(HEADER, self.raw, 0, VERSION, BLOCK, 0, 0)
        struct.pack_into(
            BLOCK_HEADER,
            self.raw,
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
        self.number += 1
        self._empty()

    def oldest(self):
        """Number of the oldest block that is kept; ``number`` if none is."""
        gone = self.number - self.slots
        if self.count:
            gone += 1
        return max(gone, 0)

    def seal(self, number, sequence):
        """Turn a block that is kept into a frame in ``wire``; return the frame's length."""
        raw = self._kept[number % self.slots]
        raw[_SEQUENCE_AT] = sequence & 255
        raw[_SEQUENCE_AT + 1] = sequence >> 8
        count = raw[_COUNT_AT] | (raw[_COUNT_AT + 1] << 8)
        return frame_into(raw, _BODY + count * SAMPLE_BYTES, self.wire)

    def mean(self):
        """Mean of the block being filled, rounded down; it has to be full."""
        return mean_of(self.raw, _BODY)

    def departure(self, low, high):
        """Index in the run of the first sample of this block below ``low`` or above ``high``, or -1."""
        at = first_beyond(self.raw, _BODY, self.count, low, high)
        return at if at < 0 else self.first_index + at

    def _empty(self):
        self.raw = self._kept[self.number % self.slots]
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
