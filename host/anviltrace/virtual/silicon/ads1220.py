"""The ADS1220, to the bit, as its data sheet (TI SBAS501) describes it.

From memory of it: conversion times in clock periods, the 57.8 us of silence after a reset, the pulse of
DRDY before unread data is replaced, and that writing a register starts a conversion anew. The filter is this
model's own: first-stage values are a sinc3 of a third of the fastest conversion; a slower one is the mean
of those that lie within it. Conversion times are whole numbers of first-stage periods, within 1.4 % of the
data sheet's. The bridge lies between AIN0 and AIN1, its excitation at REFP0 and REFN0. A command or a clock
that the chip does not take is counted in ``violations``.
"""

import clock
import faults
import front
import heap
from scale import rounded, saturate

_REGISTERS = 4
_RESET, _START, _POWERDOWN, _RDATA, _RREG, _WREG = 0x06, 0x08, 0x02, 0x10, 0x20, 0x40

_CLOCK_PS = 244_141  # 4.096 MHz
_VALUE_CLOCKS = 707  # first-stage period
_TAPS = 3  # first-stage periods one value reaches back
_NORMAL, _DUTY, _TURBO = 0, 1, 2
# DR code: clock periods of a conversion in normal mode; half as many in turbo mode
_CLOCKS = (204768, 91218, 46226, 23762, 12562, 6994, 4242)

_EXTERNAL_REFERENCE = 1
_CONTINUOUS = 0x04
_BYPASS = 0x01

_AFTER_RESET_PS = 50 * clock.US + 32 * _CLOCK_PS
_DRDY_HIGH_PS = 8 * _CLOCK_PS * 2
_EXTRA_EDGE_PS = 10_000_000
_FASTEST_BYTE_PS = 8 * 150_000 - 1000
_FULL = 100_000_000_000  # an input of 1 V/V in units of 10 pV/V

_IDLE, _WRITE = 0, 1


def wire(settings, outputs, inputs):
    """The chip on the pins of the settings."""
    chip = Ads1220()
    outputs[settings.PINS["cs"]] = chip.select
    inputs[settings.PINS["drdy"]] = chip.data_ready
    return chip


class Ads1220:
    """The chip on its module."""

    quick = False  # every byte goes through exchange()

    def __init__(self):
        self.registers = bytearray(_REGISTERS)
        self.violations = {}
        self.selected = False
        self.special = False
        self._missing = 0
        self._extra = 0
        self._silent = False
        clock.attach(self)
        self.reset()

    # what the clock asks

    def driven(self):
        """A driver listens to data-ready."""
        return clock.handler is not None

    def passed(self, count):
        """A conversion is complete; see faults. Tells whether an edge follows."""
        if not self.registers[1] & _CONTINUOUS:
            clock.next_ps = clock.FAR
        noticed = True
        if self._missing:
            self._missing -= 1
            self._taken = clock.ready
            noticed = False
        elif self._extra:
            self._extra -= 1
            clock.interrupt()
            clock.spend(_EXTRA_EDGE_PS)
        self._mind()
        return noticed

    def _mind(self):
        self.special = not self.registers[1] & _CONTINUOUS or self._missing > 0 or self._extra > 0

    # pins

    def data_ready(self):
        """Level of DRDY: low while there is data nobody began to read; a short pulse high before the next."""
        if clock.next_ps <= clock.now_ps:
            clock.run_to(clock.now_ps)
        if clock.ready == self._taken or clock.next_ps - clock.now_ps <= _DRDY_HIGH_PS:
            return 1
        return 0

    def select(self, level):
        """CS. High ends whatever exchange was going on."""
        self.selected = not level
        self._state = _IDLE
        self._left = 0
        self._reply_left = 0
        self._shifted = 0

    # the serial interface

    def exchange(self, byte, byte_ps, garbled):
        """Shift a byte in and one out, in ``byte_ps``; ``garbled`` when the SPI mode is not 1."""
        depth = heap.unlock()
        if byte_ps < _FASTEST_BYTE_PS:
            self._violate("sclk")
        if clock.now_ps < self._deaf_until_ps:
            self._violate("reset")
        out = self._shift_out()
        heap.relock(depth)
        clock.spend(byte_ps)
        depth = heap.unlock()
        if garbled:
            self._violate("mode")
            out >>= 1
        else:
            self._shift_in(byte)
        heap.relock(depth)
        return out

    def _shift_out(self):
        """The next byte on DOUT: of registers that were asked for, else of the latest conversion."""
        if self._reply_left:
            self._reply_left -= 1
            value = self.registers[self._at % _REGISTERS]
            self._at += 1
            return value
        if self._shown != clock.ready:
            if 0 < self._shifted < 3:
                self._violate("overrun")
            self._shown = clock.ready
            self._shifted = 0
            self._code = self._convert()
        self._taken = clock.ready
        self._shifted += 1
        return self._code >> (8 * (3 - self._shifted)) & 255 if self._shifted <= 3 else 0

    def _shift_in(self, byte):
        if self._state == _WRITE:
            self._write_register(byte)
        elif self._reply_left or byte == 0:
            return
        elif byte & 0xF0 in (_RREG, _WREG):
            self._at = byte >> 2 & 3
            if byte & 0xF0 == _RREG:
                self._reply_left = (byte & 3) + 1
            else:
                self._left = (byte & 3) + 1
                self._state = _WRITE
        elif byte & 0xF0 == _RDATA:
            self._shifted = 0
            self._shown = -1
        elif byte & 0xFE == _RESET:
            self.reset()
        elif byte & 0xFE == _START:
            self._restart()
        elif byte & 0xFE == _POWERDOWN:
            self._running = False
            clock.next_ps = clock.FAR
        else:
            self._violate("command")

    def _write_register(self, byte):
        self.registers[self._at % _REGISTERS] = byte
        self._at += 1
        self._left -= 1
        if self._left == 0:
            self._state = _IDLE
            self._mind()
            if self._running:
                self._restart()

    def _violate(self, name):
        self.violations[name] = self.violations.get(name, 0) + 1

    # conversions

    def reset(self):
        """Registers to zero; no conversion until START."""
        for register in range(_REGISTERS):
            self.registers[register] = 0
        self._running = False
        self._taken = clock.ready
        self._shown = clock.ready
        self._code = 0
        self._state = _IDLE
        self._left = 0
        self._at = 0
        self._reply_left = 0
        self._shifted = 0
        self._deaf_until_ps = clock.now_ps + _AFTER_RESET_PS
        self._origin = clock.FAR
        clock.next_ps = clock.FAR
        self._mind()

    def _periods(self):
        """First-stage periods in a conversion."""
        code = self.registers[1] >> 5
        mode = self.registers[1] >> 3 & 3
        if code == 7 or mode in (_DUTY, 3):
            self._violate("rate")
            code = min(code, 6)
        return min(rounded(_CLOCKS[code], _VALUE_CLOCKS * (2 if mode == _TURBO else 1)), front.batch)

    def _restart(self):
        """Begin a conversion: it is settled when it ends."""
        self._running = True
        self._length = self._periods()
        clock.period_ps = self._length * front.period_ps
        self._begin(clock.now_ps + clock.period_ps)

    def _begin(self, first_ps):
        clock.next_ps = clock.FAR if self._silent else first_ps
        self._taken = clock.ready
        self._shown = clock.ready
        self._shifted = 0
        self._origin = clock.ready + 1
        self._origin_ps = first_ps
        self._aligned = False

    def _convert(self):
        """The code of the latest conversion, as 24 bits."""
        if clock.ready < self._origin:
            return self._code
        count = self._length - _TAPS + 1
        if not self._aligned:
            self._aligned = True
            self._first_value = front.align(self._origin_ps - (count - 1) * front.period_ps)
        first = self._first_value + (clock.ready - self._origin) * self._length
        if first < front.first or first + count > front.first + front.count:
            front.load(first, front.batch // self._length * self._length)
        at = first - front.first
        code = self._coded(sum(front.values[at : at + count]), count) & 0xFFFFFF
        if front.fault:
            self._suffer(*front.take_fault())
        return code

    def _coded(self, total, count):
        """Full scale, 2^23, is the reference over the gain; without the right input or reference, nothing."""
        r = self.registers
        polarity = {0: 1, 6: -1}.get(r[0] >> 4, 0)
        if r[2] >> 6 != _EXTERNAL_REFERENCE:
            polarity = 0
        gain = 1 << (r[0] >> 1 & 7)
        if r[0] & _BYPASS:
            gain = min(gain, 4)
        return saturate(rounded(total * polarity * gain << 23, _FULL * count))

    # faults

    def _suffer(self, fault, argument):
        """What came with the bench's answer; see faults."""
        if fault == faults.MISSED_READY:
            self._missing = argument
        elif fault == faults.EXTRA_READY:
            self._extra = argument
        elif fault == faults.SILENT:
            self._silent = argument == 0
            shown = self._shown
            self._begin(clock.next_ps + argument * clock.MS)
            self._shown = shown
        elif fault == faults.CHIP_RESET:
            self.reset()
        else:
            faults.happen(fault, argument)
        self._mind()
