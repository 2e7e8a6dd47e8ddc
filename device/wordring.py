"""Samples read by a PIO state machine and moved by DMA, for rates at which no interrupt is in time.

For chips that pull a data-ready line low and then give 24 bits over SPI, on an RP2040 or RP2350. The state
machine waits for data-ready, clocks the bits in, and pushes them as a word together with how long it had to
wait; DMA puts the words into a ring of buffers in RAM, and the main loop takes them out. Nothing waits for
the processor as long as that looks into the ring once before it has gone round (136 ms at 30 kS/s). Raises
ImportError on a board that has no PIO.

*Two chained channels, and sixteen buffers of 1 kB:* a channel stops after its count and cannot start itself,
so when one has filled a buffer it starts another, which writes the address of the next buffer into the first
one, and that starts it again. One channel whose address wraps would do with less, but it needs a ring at a
multiple of its size, 16 kB in one piece and as much beside it thrown away; a heap that scripts were compiled
in has no such piece. How far the channels are says how many words there have been but for whole rounds, and
the clock tells those: a ring that ran over is noticed, and what is lost is counted exactly.

*Losses:* after a reading the state machine does not look at data-ready for nine tenths of a period, so
spikes there do no harm; then it counts until data-ready is low. A wait that is too long is a data-ready that
was missed, one that is too short is doubtful. Data-ready that is still low after nine tenths of a period
means that the chip did not take the pulses as a reading: the count is then below 32. It ends at 0.

*Ticks:* the intervals between samples are those the state machine counted, or nominal where they are steady.
Where the main loop has emptied the ring the time is set right: the newest sample is as old as its reading
takes or older, and as a rule younger than a period. So a tick is off by a period and one look into the ring
at most.
"""

# ruff: noqa: F403, F405

import struct
from time import sleep_us, ticks_add, ticks_diff, ticks_us

import rp2
from converters import ConverterError
from machine import Pin
from quick import steady_words

TYPE_CHECKING = False
if TYPE_CHECKING:
    from typing import Any

    from rp2.asm_pio import *

_CYCLES = 250  # of the state machine in a sample period
_READING = 103  # cycles from data-ready to the word
_BLIND = 222  # cycles to the next data-ready are these, and 4 for each look at it
_LONGEST = 255  # looks that are counted
_EARLY = 5  # looks: sooner than 49/50 of a period less a look
_LATE = 39  # looks: 3/2 of a period
_UNKNOWN = 0
_HELD = 31

_BUFFERS = 16
_WORDS = 256  # in a buffer
_RING = _BUFFERS * _WORDS
_MASK = _RING - 1
_SAFE = _RING - 64  # beyond that DMA may be overwriting what is read
_LIST_BITS = 6  # 16 addresses of 4 bytes
_WRITE_AND_START = 11  # register AL2_WRITE_ADDR_TRIG
_COUNT_MASK = 0x3FFFFFFF

_DOUBT_WEIGHT = 8
_DOUBT_MOST = 128  # reached when more than every eighth wait is strange
_LONGEST_GAP_US = 100_000_000


@rp2.asm_pio(sideset_init=rp2.PIO.OUT_LOW, in_shiftdir=rp2.PIO.SHIFT_LEFT)
def program():
    """Wait for data-ready, counting; shift 24 bits in, each valid when the clock falls; push both."""
    pull(block).side(0)  # the longest wait, once
    wrap_target()
    set(y, 31).side(0)  # data-ready was low already, and has to go high first
    label("low")
    jmp(pin, "look").side(0)
    jmp("low").side(0)
    label("next")
    mov(y, osr).side(0)
    label("look")
    jmp(y_dec, "counted").side(0)[1]
    mov(y, null).side(0)
    label("counted")
    jmp(pin, "look").side(0)[1]
    set(x, 23).side(0)
    label("bit")
    nop().side(1)[1]
    in_(pins, 1).side(0)
    jmp(x_dec, "bit").side(0)
    in_(y, 8).side(0)
    push(block).side(0)
    set(x, 14).side(0)
    label("blind")
    jmp(x_dec, "blind").side(0)[7]
    jmp(pin, "next").side(0)
    wrap()


class WordRing:
    """The ring of the chip called ``chip``, whose chip select is held low while listening.

    ``number``: of the state machine. The pins belong to the SPI bus except while listening.
    """

    def __init__(self, chip, number, sck, mosi, miso, drdy):
        self._chip = chip
        self._sck = sck
        self._mosi = mosi
        self._miso = miso
        self._drdy = drdy
        self._function = getattr(Pin, "ALT_PIO%d" % (number // 4))
        self._machine = rp2.StateMachine(number)
        self._buffers = tuple([bytearray(4 * _WORDS) for _ in range(_BUFFERS)])
        self._data = _channel()
        self._next = _channel()
        self._list = self._address_list()
        self._next.read = self._list
        self._list_at = self._next.read
        self._moving = self._data.pack_ctrl(
            inc_read=False,
            treq_sel=number // 4 * 8 + 4 + number % 4,
            chain_to=self._next.channel,
        )
        self._turning = self._next.pack_ctrl(inc_write=False, ring_size=_LIST_BITS, ring_sel=False)
        self._paused = self._data.pack_ctrl(enable=False)
        self._stopped = self._next.pack_ctrl(enable=False)
        self._start_of_data = self._data.registers[_WRITE_AND_START:]
        self._word = bytearray(1)  # for what is thrown away: a word to each element
        self._head = 0  # words there have been, and of these taken
        self._tail = 1
        self._doubt = 0
        self._thirds = 0  # sample period in thirds of a microsecond
        self._reading_us = 0
        self._silence_us = 0
        self._tick: "Any" = -1  # of the last sample taken, and thirds of a microsecond beyond
        self._rest = 0
        self._before: "Any" = 0  # ticks before and after the last look at the channels
        self._after: "Any" = 0
        self._heard: "Any" = 0

    def set_rate(self, rate_mhz):
        """What the chip was set to. Its period has to be a whole number of thirds of a microsecond."""
        self._machine.init(
            program,
            freq=rate_mhz // 1000 * _CYCLES,
            in_base=self._miso,
            sideset_base=self._sck,
            jmp_pin=self._drdy,
        )
        self._sck.init(Pin.ALT, alt=Pin.ALT_SPI)
        self._thirds = 3_000_000_000 // rate_mhz
        self._reading_us = self._thirds * _READING // (3 * _CYCLES)
        self._silence_us = 30_000 + 20 * self._thirds // 3

    def listen(self):
        """Begin a run: the ring is empty. The wait before the first word is none, so it is left out."""
        self._head = 0
        self._tail = 1
        self._doubt = 0
        self._tick = -1
        self._heard = ticks_us()
        self._after = self._heard
        machine = self._machine
        machine.restart()
        while machine.rx_fifo():
            machine.get(self._word)
        self._mosi.init(Pin.OUT, value=0)  # a command on it would end continuous reading
        self._sck.init(Pin.ALT, alt=self._function)
        self._data.config(read=machine, count=_WORDS, ctrl=self._moving)
        self._next.config(
            read=self._list, write=self._start_of_data, count=1, ctrl=self._turning, trigger=True
        )
        machine.put(_LONGEST)
        machine.active(1)

    def deafen(self):
        """Take no more samples: without DMA the state machine fills its FIFO and stands behind a word."""
        self._data.ctrl = self._paused  # first of all, or the end of one would start the other
        self._next.ctrl = self._stopped
        self._data.active(0)
        self._next.active(0)
        sleep_us(10 * self._thirds // 3)
        self._machine.active(0)
        self._sck.init(Pin.ALT, alt=Pin.ALT_SPI)
        self._mosi.init(Pin.ALT, alt=Pin.ALT_SPI)

    def fill(self, block):
        """Move samples into the block; see the contract in ``converters``."""
        self._look()
        if self._head == 0:
            return False
        if ((self._head - self._tail) & _COUNT_MASK) > _SAFE:
            if block.count:
                return True
            self._skip(block)
        while self._tail != self._head:
            room = block.room()
            if room == 0:
                return False
            first = self._tail % _WORDS
            count = min((self._head - self._tail) & _COUNT_MASK, room, _WORDS - first)
            steady = steady_words(self._buffer(), first, count, _LONGEST - _LATE + 1, _LONGEST - _EARLY - 1)
            if steady:
                self._take(block, steady, self._thirds)
                self._doubt = max(0, self._doubt - steady)
            elif self._take_odd(block):
                return True
        self._set_right()
        return False

    def _address_list(self):
        """The addresses of the buffers, at a multiple of the list's size, so that reading it wraps."""
        size = 4 * _BUFFERS
        whole = bytearray(2 * size)
        self._next.read = whole
        offset = -self._next.read % size
        addresses = memoryview(whole)[offset : offset + size]
        for i in range(_BUFFERS):
            self._data.write = self._buffers[i]
            struct.pack_into("<I", addresses, 4 * i, self._data.write & 0xFFFFFFFF)
        return addresses

    def _buffer(self):
        """The one that the next word to take lies in."""
        return self._buffers[self._tail // _WORDS % _BUFFERS]

    def _look(self):
        """How many words there have been, and when that was."""
        since = self._after
        self._before = ticks_us()
        new = (self._position() - self._head) & _MASK
        self._after = ticks_us()
        passed = min(ticks_diff(self._after, since), _LONGEST_GAP_US) * 3 // self._thirds
        if passed > _RING // 2:  # perhaps it went round meanwhile
            new += max(0, (passed - new + _RING // 2) // _RING) * _RING
        if new:
            self._head = (self._head + new) & _COUNT_MASK
            self._heard = self._after
        elif ticks_diff(self._after, self._heard) > self._silence_us:
            raise ConverterError("%s: no data-ready for %d ms" % (self._chip, self._silence_us // 1000))

    def _position(self):
        """Where in the ring the next word goes."""
        while True:
            following = self._next.read
            left = self._data.count
            if self._next.read == following:
                return (((following - self._list_at) // 4 - 1) * _WORDS + _WORDS - left) & _MASK

    def _skip(self, block):
        """The main loop came too late: leave out the older half of the ring and what was overwritten."""
        lost = ((self._head - self._tail) & _COUNT_MASK) - _RING // 2
        block.lose(lost)
        self._tail = (self._tail + lost) & _COUNT_MASK
        if self._tick >= 0:
            self._pass(lost * self._thirds)

    def _take(self, block, count, thirds):
        """Move ``count`` words on; the first is ``thirds`` of a microsecond later than the sample before."""
        if self._tick < 0:
            behind = (((self._head - self._tail) & _COUNT_MASK) - 1) * self._thirds // 3
            self._tick = ticks_add(self._after, -behind - self._reading_us)
            self._rest = 0
        else:
            self._pass(thirds)
        first_tick = self._tick
        self._pass((count - 1) * self._thirds)
        block.take_words(self._buffer(), self._tail % _WORDS, count, first_tick, self._tick)
        self._tail = (self._tail + count) & _COUNT_MASK

    def _take_odd(self, block):
        """Take a sample after a strange wait; return True if the block has to be closed before it."""
        wait = self._buffer()[4 * (self._tail % _WORDS)]
        looks = _LONGEST - wait
        thirds = (_BLIND + 4 * looks) * self._thirds // _CYCLES
        held = False
        if wait <= _HELD:
            thirds = self._thirds_by_ticks()
            held = wait != _UNKNOWN and thirds < 3 * self._thirds
            if held:
                thirds = self._thirds
        lost = (thirds + self._thirds // 2) // self._thirds - 1
        if lost > 0:
            if block.count:
                return True
            block.lose(lost)
        if held or looks <= _EARLY:
            block.mark_glitch()
            self._doubt += _DOUBT_WEIGHT
            if self._doubt > _DOUBT_MOST:
                raise ConverterError(
                    "%s: data-ready does not follow the readings: chip reset, or noise on DRDY" % self._chip
                )
        self._take(block, 1, thirds)
        return False

    def _thirds_by_ticks(self):
        """Time from the last sample to the next in the ring, by the clock, in whole periods."""
        if self._tick < 0:
            return self._thirds
        behind = (((self._head - self._tail) & _COUNT_MASK) - 1) * self._thirds
        passed = min(ticks_diff(self._after, self._tick) - self._reading_us, _LONGEST_GAP_US) * 3 - behind
        return max(1, passed // self._thirds) * self._thirds  # the newest word is half a period old, about

    def _pass(self, thirds):
        """Let the time of the last sample go on."""
        thirds += self._rest
        self._tick = ticks_add(self._tick, thirds // 3)
        self._rest = thirds % 3

    def _set_right(self):
        """The newest word was there at the look; the one after it was not, unless data-ready was missed."""
        if self._tick < 0:
            return
        latest = ticks_add(self._after, -self._reading_us)
        earliest = ticks_add(self._before, -self._reading_us - self._thirds // 3)
        if ticks_diff(self._tick, latest) > 0:
            self._tick = latest
        elif ticks_diff(self._tick, earliest) < 0:
            self._tick = ticks_add(self._tick, 1)


def _channel() -> "Any":
    """A DMA channel; its type in the stubs lacks the attributes."""
    return rp2.DMA()
