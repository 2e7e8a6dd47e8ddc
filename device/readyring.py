"""Samples read at each data-ready, on their way from the interrupt to the block.

For chips that pull a data-ready line low and then give three bytes over SPI. The interrupt reads them into
a ring, with the tick; the main loop moves them on, and tells from the ticks what was lost and what came
twice.
"""

from array import array
from time import sleep_us, ticks_diff, ticks_ms, ticks_us

from converters import ConverterError
from machine import Pin

TYPE_CHECKING = False
if TYPE_CHECKING:
    from typing import Any

_RING = 1024
_MASK = _RING - 1

_SURPLUS_WEIGHT = 8
_SURPLUS_MOST = 128  # reached when more than every eighth data-ready is one too many


class ReadyRing:
    """The ring of the chip called ``chip``, on a bus whose chip select is held low while listening.

    ``steady_most``: how many samples may pass between two looks at the ticks. Half a sample's error of the
    nominal rate must not gather in that many.
    """

    def __init__(self, chip, spi, drdy, steady_most=_RING):
        self._chip = chip
        self._spi = spi
        self._drdy = drdy
        self._steady_most = steady_most
        self._handler = self._on_ready
        self._sample = bytearray(3)
        self._surplus = 0
        self._ring = bytearray(3 * _RING)
        self._ticks: "Any" = array("i", [0] * _RING)
        self._head = 0
        self._tail = 0
        self._last_tick: "Any" = -1
        self._started: "Any" = 0
        self._period_16 = 0  # sample period in sixteenths of a microsecond
        self._silence_us = 0

    def set_rate(self, rate_mhz):
        """What the chip was set to."""
        self._period_16 = 16_000_000_000 // rate_mhz
        self._silence_us = 100_000 + 20 * self._period_16 // 16

    def listen(self):
        """Begin a run: the ring is empty, and the next data-ready gives its first sample."""
        self._head = 0
        self._tail = 0
        self._surplus = 0
        self._last_tick = -1
        self._started = ticks_us()
        self._drdy.irq(handler=self._handler, trigger=Pin.IRQ_FALLING, hard=True)

    def deafen(self):
        """Take no more samples."""
        self._drdy.irq(handler=None)

    def await_ready(self, limit_ms):
        """Wait until data-ready is low."""
        since = ticks_ms()
        while self._drdy():
            if ticks_diff(ticks_ms(), since) > limit_ms:
                raise ConverterError(
                    "%s: no data-ready within %d ms: check power and the DRDY wire" % (self._chip, limit_ms)
                )
            sleep_us(10)

    def fill(self, block):
        """Move samples into the block; see the contract in ``converters``."""
        while self._tail != self._head:
            room = block.room()
            if room == 0:
                return False
            count = min(
                (self._head - self._tail) & 0x3FFFFFFF,
                room,
                _RING - (self._tail & _MASK),
                self._steady_most,
            )
            if self._steady(count):
                self._take(block, count)
            elif self._take_one(block):
                return True
        if ticks_diff(ticks_us(), self._heard()) > self._silence_us:
            raise ConverterError("%s: no data-ready for %d ms" % (self._chip, self._silence_us // 1000))
        return False

    def _on_ready(self, _pin):
        tick = ticks_us()
        self._spi.readinto(self._sample)
        head = self._head
        if ((head - self._tail) & 0x3FFFFFFF) >= _RING:
            return  # the ring is full: the jump of ticks will tell
        at = head & _MASK
        self._ticks[at] = tick
        at *= 3
        ring = self._ring
        sample = self._sample
        ring[at] = sample[0]
        ring[at + 1] = sample[1]
        ring[at + 2] = sample[2]
        self._head = (head + 1) & 0x3FFFFFFF

    def _heard(self):
        return self._started if self._last_tick < 0 else self._last_tick

    def _steady(self, count):
        """Whether the next ``count`` samples follow the last one, and each other, without loss or surplus."""
        first = self._tail & _MASK
        last = self._ticks[first + count - 1]
        if self._last_tick < 0:
            since = self._ticks[first]
            count -= 1
        else:
            since = self._last_tick
        passed = ticks_diff(last, since) * 16
        expected = count * self._period_16
        return -self._period_16 < (passed - expected) * 2 < self._period_16

    def _take(self, block, count):
        first = self._tail & _MASK
        last = self._ticks[first + count - 1]
        block.take(self._ring, first, count, self._ticks[first], last)
        self._last_tick = last
        self._tail = (self._tail + count) & 0x3FFFFFFF
        self._surplus = max(0, self._surplus - count)

    def _take_one(self, block):
        """Take a sample that is late or early; return True if the block has to be closed before it."""
        at = self._tail & _MASK
        passed = (
            ticks_diff(self._ticks[at], self._last_tick) * 16 if self._last_tick >= 0 else self._period_16
        )
        lost = (passed + self._period_16 // 2) // self._period_16 - 1
        if lost < 0:  # data-ready fell twice for one sample: the second reading repeats the first
            block.mark_glitch()
            self._tail = (self._tail + 1) & 0x3FFFFFFF
            self._surplus += _SURPLUS_WEIGHT
            if self._surplus > _SURPLUS_MOST:
                raise ConverterError(
                    "%s: data-ready comes too often: chip reset, or noise on DRDY" % self._chip
                )
            return False
        if lost > 0:
            if block.count:
                return True
            block.lose(lost)
        self._take(block, 1)
        return False
