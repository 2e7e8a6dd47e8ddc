"""The RP2040's own ADC behind an instrumentation amplifier: 12 bits at 500 kS/s, summed to 20 kS/s or less.

Source: RP2040 data sheet, section 4.9 (registers; from memory, as are the RP2350's differences). The ADC
converts without pause, one conversion in 96 periods of its 48 MHz clock. DMA fills sixteen buffers in turn, a
second channel leads it from one to the next, and the main loop sums them up: there is no interrupt at all.

**A sample** is the sum of 25 conversions (20 kS/s) to 250 (2 kS/s) less mid-scale: its full scale is so many
times 2048, and what an average has in resolution beyond 12 bits is kept. If one conversion is 0 or 4095,
the sample is at the end of its scale.

**Ticks.** Where DMA writes tells how many conversions there were, so the main loop reads tick and place one
behind the other and reckons back from there: the ADC's clock and the ticks come from the same crystal. What
lies between the two readings (20 us, or they are read again) and the conversion that was going on (2 us) is
the most a tick is off.

**Losses.** Place and tick together tell, to the conversion, what was overwritten before it was read: the tick
has to be right to half a round of the buffers, 16 ms, only. When the ADC's own FIFO runs over, what is
missing is told from the ticks alone, to a sample.

**Wide codes** (RP2040-E11: 512, 1536, 2560 and 3584 take up about nine steps each) are sent as they come. An
input within one looks steadier than it is; the host knows, and says so.
"""

import sys
from array import array
from time import sleep_us, ticks_add, ticks_diff, ticks_us

from uctypes import addressof

from anvilwire.messages import (
    EXCITATION_IS_REFERENCE,
    EXCITATION_MEASURED,
    EXCITATION_NOMINAL,
    SCALE_RATIO,
    SCALE_VOLTAGE,
)
from averages import DOUBTFUL, MOVED, SATURATED, UNWRITTEN, empty, sum_into
from converters import ConverterError
from machine import ADC, Pin, mem32
from rp2 import DMA

TYPE_CHECKING = False
if TYPE_CHECKING:
    from typing import Any

_RP2350 = "RP2350" in getattr(sys.implementation, "_machine", "")
_BASE = 0x400A0000 if _RP2350 else 0x4004C000
_DREQ_ADC = 48 if _RP2350 else 36
_CS = _BASE
_RESULT = _BASE + 0x04
_FCS = _BASE + 0x08
_FIFO = _BASE + 0x0C
_DIV = _BASE + 0x10

_EN = 1 << 0
_TS_EN = 1 << 1
_START_ONCE = 1 << 2
_START_MANY = 1 << 3
_READY = 1 << 8
_AINSEL_AT = 12
_CS_SET = 0x1FF70FF & ~(_READY | _START_ONCE)  # what reads back as written

_FCS_ON = 1 << 0 | 1 << 2 | 1 << 3 | 1 << 24  # FIFO on, error bit kept, data request at one conversion
_FCS_SET = 0x0F00000F
_UNDER = 1 << 10
_OVER = 1 << 11

_FIRST_PIN = 26
_TEMPERATURE = 4
_SENSOR_LOW, _SENSOR_HIGH = 550, 1350  # 0.706 V at 27 C and -1.72 mV/K, by a reference of 2.5 to 3.6 V

_CONVERSION_US = 2
_WAITS = 50  # looks at READY, each of a microsecond and more, while the last conversion ends
_MIDDLE = 2048
# Buffers hold whole samples whatever their length. Several small ones find room where a ring in one piece,
# aligned to its size, would not.
_BUFFERS = 16
_BUFFER = 1_000  # conversions, 2 ms
_ROUND = _BUFFERS * _BUFFER
_SAFE = _ROUND - 8  # some may be on their way while the place is read
_STAGE = 64  # samples summed in one go
_DMA_HALFWORD, _DMA_WORD = 1, 2
_TABLE_BITS = 6  # sixteen addresses are 64 bytes
_PLACE_AND_START = 11  # the DMA register AL2_WRITE_ADDR_TRIG, by word
_LOW = 0x3FFFFFFF  # of an address, so that it is a small integer; memory of an RP2040 lies below

_TORN_US = 20
_SILENCE_US = 20_000
_TRIAL_US = 4_000
_TRIAL_LEAST, _TRIAL_MOST = 1_960, 2_040  # conversions in that time
_SAME_MOST = 500_000  # a second of samples that are all the same

# rate in mHz, conversions in a sample
_RATES = ((20_000_000, 25), (10_000_000, 50), (5_000_000, 100), (2_000_000, 250))


def _table(addresses):
    """The addresses in memory that starts at a multiple of its size."""
    size = 4 * _BUFFERS
    words = array("I", [0] * (2 * _BUFFERS))
    first = (-addressof(words) & (size - 1)) // 4
    for number, address in enumerate(addresses):
        words[first + number] = address & 0xFFFFFFFF
    return memoryview(words)[first : first + _BUFFERS]


class Converter:
    """The ADC on the pin ``adc``; ``smps`` is the pin that puts a Pico's supply into its steady mode."""

    name = "ownadc"
    code_bits = 12
    default_rate_mhz = 20_000_000

    def __init__(self, settings):
        pins = settings.PINS
        ratio = settings.REFERENCE_IS_EXCITATION
        if _RP2350:
            self.name = "ownadc-rp2350"
        self.default_gain = settings.AMPLIFIER_GAIN
        self.scale_kind = SCALE_RATIO if ratio else SCALE_VOLTAGE
        self.excitation_uv = 0 if ratio else settings.EXCITATION_UV
        self.excitation_source = EXCITATION_MEASURED if settings.EXCITATION_MEASURED else EXCITATION_NOMINAL
        if ratio:
            self.excitation_source = EXCITATION_IS_REFERENCE
        # mid-scale is zero, so full scale is half the reference at the ADC, over the amplifier's gain
        half = 500_000_000 if ratio else 500 * settings.REFERENCE_UV
        self.gains = ((settings.AMPLIFIER_GAIN, half // settings.AMPLIFIER_GAIN),)
        self.rates = tuple(
            [(rate, (length - 1) * _CONVERSION_US * 500 + settings.FILTER_NS) for rate, length in _RATES]
        )
        self._smps = Pin(pins["smps"], Pin.OUT, value=1) if "smps" in pins else None
        self._adc = ADC(Pin(pins["adc"]))  # takes the ADC out of reset, and the pin's digital part off it
        self._channel_bits = (pins["adc"] - _FIRST_PIN) << _AINSEL_AT
        self._idle_bits = _EN | self._channel_bits
        self._running_bits = self._idle_bits | _START_MANY
        self._fcs_bits = _FCS_ON | _UNDER | _OVER
        self._set_length(_RATES[0][1])
        buffers = [array("H", range(_BUFFER)) for _ in range(_BUFFERS)]
        buffers.sort(key=addressof)
        self._buffers: "Any" = buffers
        self._places = array("I", [addressof(buffer) & _LOW for buffer in buffers])
        self._table: "Any" = _table([addressof(buffer) for buffer in buffers])
        self._second: "Any" = addressof(self._table) + 4
        self._stage = bytearray(3 * _STAGE)
        self._told: "Any" = array("i", [0] * 5)
        self._data: "Any" = DMA()
        self._next: "Any" = DMA()
        self._set_up_dma()
        self._place = 0  # how far the round was filled when it was last seen
        self._unread = 0  # conversions not yet in a sample; fewer than none after a skip
        self._tick: "Any" = 0  # when that was
        self._moved: "Any" = 0  # when there last was another conversion
        self._last_tick: "Any" = 0  # when the last sample was ready, or would have been
        self._same = 0  # so many conversions made one and the same sum again and again
        self._started: "Any" = 0

    def probe(self):
        """Convert what lies on the temperature sensor, which the chip brings along."""
        code = self._convert_once(_TEMPERATURE)
        if not _SENSOR_LOW <= code <= _SENSOR_HIGH:
            raise ConverterError(
                "ADC: the chip's temperature sensor reads %d, not %d to %d: check ADC_VREF"
                % (code, _SENSOR_LOW, _SENSOR_HIGH)
            )

    def configure(self, rate_mhz, gain):  # noqa: ARG002  (the amplifier has only one)
        """Set the length of a sample, and try; return CS, FCS and DIV as read back, little-endian."""
        self._set_length([length for rate, length in _RATES if rate == rate_mhz][0])
        self._read_back()
        self._arm()
        sleep_us(_TRIAL_US)
        self._look()
        took_us = ticks_diff(self._tick, self._started)
        self._halt()
        found = self._unread * _TRIAL_US // max(took_us, 1)
        if not _TRIAL_LEAST <= found <= _TRIAL_MOST:
            raise ConverterError(
                "ADC: %d conversions in %d us, not %d: its clock is not 48 MHz, or DMA is in use elsewhere"
                % (found, _TRIAL_US, _TRIAL_US // _CONVERSION_US)
            )
        return self._read_back()

    def start(self):
        """Empty the ring and convert without pause; the first sample is complete."""
        self._same = 0
        self._arm()
        self._last_tick = self._started

    def fill(self, block):
        """Move samples into the block; see the contract in ``converters``."""
        self._look()
        while True:
            if mem32[_FCS] & _OVER:
                if block.count:
                    return True
                self._resume(block)
            if self._unread > _SAFE:
                if block.count:
                    return True
                self._skip(block)
            count = min(self._unread // self._length, block.room(), _STAGE)
            if count <= 0:
                return False
            count = self._sum(count)
            self._look()
            if self._unread <= _SAFE:  # else they were overwritten while they were read
                self._give(block, count)

    def stop(self):
        """Halt the ADC; raise if it no longer had its settings."""
        cs = mem32[_CS] & _CS_SET
        fcs = mem32[_FCS] & _FCS_SET
        self._halt()
        self._must_be("CS", cs, self._running_bits)
        self._must_be("FCS", fcs, _FCS_ON)

    # what fill is made of

    def _sum(self, count):
        """Make ``count`` samples, or those there are to the end of a buffer; return how many."""
        first = (self._place - self._unread) % _ROUND
        at = first % _BUFFER
        count = min(count, (_BUFFER - at) // self._length)
        sum_into(self._buffers[first // _BUFFER], at, self._length, count, self._stage, self._told)
        return count

    def _give(self, block, count):
        told = self._told
        if told[UNWRITTEN]:
            raise ConverterError(
                "ADC: %d conversions never came to memory: is DMA in use elsewhere?" % told[UNWRITTEN]
            )
        self._unread -= count * self._length
        last = ticks_add(self._tick, -self._unread * _CONVERSION_US)
        first = ticks_add(last, (1 - count) * self._length * _CONVERSION_US)
        block.take(self._stage, 0, count, first, last)
        self._last_tick = last
        if told[SATURATED]:
            block.mark_saturated(told[SATURATED])
        self._same = 0 if told[MOVED] else min(self._same + count * self._length, _SAME_MOST)
        if told[DOUBTFUL] or (self._same == _SAME_MOST and not told[SATURATED]):
            block.mark_glitch()

    def _look(self):
        """Note how many conversions there are, and when."""
        before: "Any" = 0
        address: "Any" = 0
        for _ in range(3):
            before = ticks_us()
            address = self._data.write
            if ticks_diff(ticks_us(), before) <= _TORN_US:
                break
        place = self._place_of(address & _LOW)
        added = (place - self._place) % _ROUND
        by_tick = ticks_diff(before, self._tick) // _CONVERSION_US
        if by_tick > _ROUND // 2:
            added += (by_tick - added + _ROUND // 2) // _ROUND * _ROUND
        if added:
            self._moved = before
        elif ticks_diff(before, self._moved) > _SILENCE_US:
            raise ConverterError("ADC: no conversion for %d ms: chip reset?" % (_SILENCE_US // 1000))
        self._place = place
        self._unread += added
        self._tick = before

    def _place_of(self, address):
        """How many conversions of the round lie before an address; the end of a buffer is the next one's."""
        places = self._places
        number = self._place // _BUFFER  # most often it is this one, or the next
        for _ in range(_BUFFERS):
            offset = (address - places[number]) & _LOW
            if offset <= 2 * _BUFFER and (offset < 2 * _BUFFER or not self._is_place(address)):
                return (number * _BUFFER + offset // 2) % _ROUND
            number = (number + 1) % _BUFFERS
        raise ConverterError("ADC: DMA left its buffers: is the channel in use elsewhere?")

    def _is_place(self, address):
        """Whether a buffer begins there."""
        for place in self._places:
            if place == address:
                return True
        return False

    def _skip(self, block):
        """Leave out all that was not read, up to the end of a sample: the buffers ran over."""
        lost = (self._unread + self._length - 1) // self._length
        self._unread -= lost * self._length
        self._last_tick = ticks_add(self._tick, -self._unread * _CONVERSION_US)
        block.lose(lost)

    def _resume(self, block):
        """The ADC's FIFO ran over, nobody knows where: begin anew, and tell the loss from the ticks."""
        self._arm()
        period = self._length * _CONVERSION_US
        lost = (ticks_diff(self._started, self._last_tick) + period // 2) // period
        if lost > 0:
            block.lose(lost)
        self._last_tick = self._started
        self._look()

    # registers

    def _set_length(self, length):
        self._length = length
        self.full_scale_code = length * _MIDDLE
        self.saturation_low = -length * _MIDDLE
        self.saturation_high = length * (_MIDDLE - 1)

    def _set_up_dma(self):
        """One channel fills a buffer, the other then tells it the next and starts it anew."""
        self._data_ctrl = self._data.pack_ctrl(
            size=_DMA_HALFWORD,
            inc_read=False,
            inc_write=True,
            treq_sel=_DREQ_ADC,
            chain_to=self._next.channel,
            high_pri=True,
        )
        # an RP2350 lets a channel that is aborted start the one it is chained to
        self._data_off = self._data.pack_ctrl(
            default=self._data_ctrl, enable=False, chain_to=self._data.channel
        )
        for buffer in self._buffers:
            self._data.config(read=_FIFO, write=buffer, ctrl=self._data_off)
        self._next.config(
            read=self._table,
            write=self._data.registers[_PLACE_AND_START:],
            count=1,
            ctrl=self._next.pack_ctrl(
                size=_DMA_WORD, inc_read=True, inc_write=False, ring_size=_TABLE_BITS, ring_sel=False
            ),
        )

    def _arm(self):
        """Halt whatever goes on, and let the ADC fill the buffers from the first on."""
        self._halt()
        for buffer in self._buffers:
            empty(buffer, _BUFFER)
        self._next.read = self._second
        self._data.config(write=self._buffers[0], count=_BUFFER, ctrl=self._data_ctrl, trigger=True)
        self._place = 0
        self._unread = 0
        self._started = ticks_us()
        self._tick = self._started
        self._moved = self._started
        mem32[_CS] = self._running_bits

    def _halt(self):
        """No more conversions; the FIFO is empty and has no complaints."""
        mem32[_CS] = self._idle_bits
        self._data.ctrl = self._data_off
        self._data.active(False)
        for _ in range(_WAITS):
            if mem32[_CS] & _READY:
                break
        mem32[_FCS] = self._fcs_bits
        for _ in range(8):
            mem32[_FIFO]  # noqa: B018
        mem32[_FCS] = self._fcs_bits
        mem32[_DIV] = 0

    def _convert_once(self, channel):
        mem32[_CS] = _EN | _TS_EN | channel << _AINSEL_AT
        sleep_us(100)
        mem32[_CS] = _EN | _TS_EN | _START_ONCE | channel << _AINSEL_AT
        sleep_us(10)
        if not mem32[_CS] & _READY:
            raise ConverterError("ADC: not ready 10 us after a conversion was asked for: is it clocked?")
        return mem32[_RESULT]

    def _read_back(self):
        """CS, FCS and DIV, halted; they must be as set."""
        self._halt()
        self._must_be("CS", mem32[_CS] & _CS_SET, self._idle_bits)
        self._must_be("FCS", mem32[_FCS] & _FCS_SET, _FCS_ON)
        self._must_be("DIV", mem32[_DIV], 0)
        found = bytearray(12)
        for number, register in enumerate((_CS, _FCS, _DIV)):
            found[4 * number : 4 * number + 4] = mem32[register].to_bytes(4, "little")
        return bytes(found)

    def _must_be(self, name, found, wanted):
        if found != wanted:
            raise ConverterError(
                "ADC: register %s reads 0x%x, not 0x%x as set: chip reset?" % (name, found, wanted)
            )
