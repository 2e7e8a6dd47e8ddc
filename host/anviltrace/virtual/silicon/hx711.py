"""The HX711, to the bit, as its datasheet (Avia Semiconductor) and its users describe it.

DOUT low: a conversion is ready; each rising edge of PD_SCK shifts out a bit; the 25th lifts DOUT; 25, 26
or 27 pulses choose gain 128 and input A, 32 and B, 64 and A for the conversions that follow, which settle
for four periods when that is a change. A clock held high for more than 60 us powers the chip down, and it
comes back with gain 128. On this module the bridge is wired to both inputs.
"""

import clock
import faults
import front
import heap
from scale import rounded, saturate

_GAINS = {25: 128, 26: 32, 27: 64}
_SETTLING_PERIODS = 4
_POWER_DOWN_PS = 60_000_000
_LONGEST_HIGH_PS = 50_000_000
_STRETCH_PS = 100_000_000
_FULL = 100_000_000_000  # an input of 1 V/V in units of 10 pV/V
_FORGOTTEN = 4  # conversions left unread by a driver that no longer reads


def wire(settings, outputs, inputs):
    """The chip on the pins of the settings."""
    chip = Hx711()
    outputs[settings.PINS["clock"]] = chip.clock_pin
    inputs[settings.PINS["data"]] = chip.data
    return chip


class Hx711:
    """The chip and its two wires."""

    def __init__(self):
        self.comm_errors = 0  # readings of fewer than 25 or more than 27 pulses
        self.long_highs = 0  # clock pulses of more than 50 us
        self.special = True
        self._clock_level = 0
        self._rose_ps = 0
        self._gain = 128
        self._pulses = 0
        self._last_pulse_ps = 0
        self._waiting = False
        self._bits = 0
        self._number = -1  # data-ready of the conversion in _bits
        self._origin = 1
        self._origin_ps = 0
        self._aligned = False
        self._first_value = 0
        self._seen = -_FORGOTTEN
        self._missing = 0
        self._stretched = 0
        self._resetting = 0
        self._silent = False
        clock.attach(self)
        clock.period_ps = front.period_ps
        self._restart(clock.now_ps)

    # what the clock asks

    def driven(self):
        """A driver woke the chip up or read it, not long ago."""
        return clock.ready - self._seen < _FORGOTTEN

    def passed(self, count):
        """A conversion is complete: it replaces an unread one, and cuts short a reading in progress."""
        if self._pulses:
            if self._pulses not in _GAINS:
                self.comm_errors += 1
            elif _GAINS[self._pulses] != self._gain:
                self._gain = _GAINS[self._pulses]
                self._pulses = 0
                self._waiting = False
                clock.ready -= 1
                self._begin(self._last_pulse_ps + _SETTLING_PERIODS * clock.period_ps)
                return False
        self._pulses = 0
        self._waiting = self._missing == 0
        if self._missing:
            self._missing -= 1
        return self._waiting

    # pins

    def data(self):
        """Level of DOUT."""
        if self._is_down():
            return 1
        if self._pulses == 0:
            return 0 if self._waiting else 1
        if self._pulses > 24:
            return 1
        return (self._bits >> (24 - self._pulses)) & 1

    def clock_pin(self, level):
        """An edge of PD_SCK."""
        if level == self._clock_level:
            return
        self._clock_level = level
        if level:
            self._rise()
        else:
            self._fall()

    def _rise(self):
        self._rose_ps = clock.now_ps
        if self._pulses == 0 and not self._waiting:
            return
        if self._pulses == 0:
            self._load()
        self._pulses += 1
        self._last_pulse_ps = clock.now_ps

    def _fall(self):
        if self._pulses and self._pulses == self._stretched:
            self._stretched = 0
            clock.spend(_STRETCH_PS)
        high_ps = clock.now_ps - self._rose_ps
        if high_ps > _LONGEST_HIGH_PS:
            self.long_highs += 1
        if high_ps > _POWER_DOWN_PS:
            self._restart(clock.now_ps)
            self._noticed()
        elif self._pulses and self._pulses == self._resetting:
            self._resetting = 0
            self._restart(clock.now_ps)

    def _is_down(self):
        return self._clock_level and clock.now_ps - self._rose_ps > _POWER_DOWN_PS

    # conversions

    def _noticed(self):
        """A driver is at work: from now on a busy machine takes no time of its."""
        self._seen = clock.ready
        clock.choose()

    def _restart(self, now_ps):
        self._gain = 128
        self._pulses = 0
        self._waiting = False
        self._begin(now_ps + _SETTLING_PERIODS * clock.period_ps)

    def _begin(self, first_ps):
        """The next conversion is complete at ``first_ps`` and starts a new sequence."""
        clock.next_ps = clock.FAR if self._silent else first_ps
        self._origin = clock.ready + 1
        self._origin_ps = clock.next_ps
        self._aligned = False

    def _load(self):
        """The code of the waiting conversion, for shifting."""
        self._noticed()
        depth = heap.unlock()
        if not self._aligned:
            self._aligned = True
            self._first_value = front.align(self._origin_ps)
        number = self._first_value + clock.ready - self._origin
        if not front.first <= number < front.first + front.count:
            front.load(number, front.batch)
        self._bits = self._code(front.values[number - front.first]) & 0xFFFFFF
        if front.fault:
            self._suffer(*front.take_fault())
        heap.relock(depth)

    def _code(self, value):
        """Full scale, 2^23, is half the excitation over the gain."""
        return saturate(rounded(value * self._gain << 24, _FULL))

    # faults

    def _suffer(self, fault, argument):
        if fault == faults.STRETCHED_CLOCK:
            self._stretched = argument
        elif fault == faults.MISSED_READY:
            self._missing = argument
        elif fault == faults.CHIP_RESET:
            self._resetting = argument
        elif fault == faults.SILENT:
            self._silent = argument == 0
            self._begin(clock.next_ps + argument * clock.MS)
        else:
            faults.happen(fault, argument)
