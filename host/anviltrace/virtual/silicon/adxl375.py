"""The ADXL375, as its data sheet (Analog Devices) has it, from memory: registers, FIFO, timing.

The filter is this model's own: each sample is the mean over half a period before, and half a period after,
the middle of the period before it, which is a delay of one period. So is the clock: faster than nominal by
``FAST``. Readings of the FIFO that follow too fast are counted in ``violations``.
"""

from array import array

import clock
import heap
import sense
from scale import rounded

DEVICE, RATE, POWER, INT_SOURCE, FORMAT, DATA, FIFO, FIFO_STATUS = (
    0x00, 0x2C, 0x2D, 0x30, 0x31, 0x32, 0x38, 0x39,
)  # fmt: skip
RESET_VALUES = {DEVICE: 0xE5, RATE: 0x0A, INT_SOURCE: 0x02}
_READ_ONLY = (DEVICE, INT_SOURCE, FIFO_STATUS, DATA, DATA + 1, DATA + 2, DATA + 3, DATA + 4, DATA + 5)
_REGISTERS = 0x3A
_MEASURE = 0x08
_STREAM = 0x80
_MODES = 0xC0
_HELD = 33  # 32, and one at the filter's output
_FAST = 1.0083
_GAP_PS = 5 * clock.US
_FASTEST_BYTE_PS = 8 * 200_000  # 5 MHz
_PER_COUNT = 48_052_585  # hundred-thousandths of mm/s2: 49 mg
_AXES = 3
_READ_DATA = 0xC0 | DATA


def wire(entry, outputs, _inputs, _i2c, buses):
    """The chip on the bus and the select pin of the entry."""
    chip = Adxl375()
    buses.setdefault(entry["spi"], []).append(chip)
    outputs[entry["cs"]] = chip.select
    return chip


class Adxl375:
    """An accelerometer on the handle."""

    mode = 3

    def __init__(self):
        self.registers = bytearray(_REGISTERS)
        for register, value in RESET_VALUES.items():
            self.registers[register] = value
        self.violations = {}
        self.refused = 0
        self.silent = False
        self.selected = False
        self.overrun = False
        self._ring = array("h", [0] * (64 * _AXES))
        self._fetched = 0
        self._first = 0
        self._end = 0
        self._period_ps = 0
        self._begun_ps = 0
        self._stopped_ps = clock.FAR
        self._popped_ps = 0
        self._command = -1
        self._read_data = False

    def select(self, level):
        """CS, active low."""
        if level and self._read_data:
            self._pop()
        self._read_data = False
        self.selected = not level
        self._command = -1

    def exchange(self, byte, byte_ps, garbled):
        """Shift a byte in and one out."""
        depth = heap.unlock()
        if byte_ps < _FASTEST_BYTE_PS:
            self._violate("sclk")
        if garbled:
            self._violate("mode")
        out = 0xFF if self.silent or garbled else self._shift(byte)
        heap.relock(depth)
        clock.spend(byte_ps)
        return out

    def transfer(self, out, into, byte_ps, garbled):
        """As many exchanges in a row; six bytes of data are taken out of the FIFO together."""
        if len(out) != 1 + 2 * _AXES or out[0] != _READ_DATA or garbled or self.silent or self._command >= 0:
            for i in range(len(out)):
                into[i] = self.exchange(out[i], byte_ps, garbled)
            return
        clock.spend(byte_ps)
        depth = heap.unlock()
        if byte_ps < _FASTEST_BYTE_PS:
            self._violate("sclk")
        self._value(DATA)
        at = max(min(self._first, self._end - 1), 0) % 64 * _AXES
        ring = self._ring
        for axis in range(_AXES):
            code = ring[at + axis]
            into[1 + 2 * axis] = code & 255
            into[2 + 2 * axis] = code >> 8 & 255
        heap.relock(depth)
        self._command = out[0]
        clock.spend(2 * _AXES * byte_ps)

    def freeze(self):
        """No conversion completes from now on."""
        self._stopped_ps = clock.now_ps

    def _shift(self, byte):
        if self._command < 0:
            self._command = byte
            self._at = byte & 0x3F
            return 0
        register = self._at
        if self._command & 0x40:
            self._at = (register + 1) % 0x40
        if not self._command & 0x80:
            self._store(register, byte)
            return 0
        return self._value(register)

    def _value(self, register):
        if register in (DATA, FIFO_STATUS):
            if clock.now_ps - self._popped_ps < _GAP_PS:
                self._violate("gap")
            self._go_on()
        if DATA <= register < DATA + 2 * _AXES:
            self._read_data = True
            last = max(min(self._first, self._end - 1), 0)
            value = self._ring[last % 64 * _AXES + (register - DATA) // 2]
            return value >> 8 & 255 if (register - DATA) & 1 else value & 255
        if register == FIFO_STATUS:
            return self._end - self._first
        return self.registers[register] if register < _REGISTERS else 0

    def _store(self, register, value):
        if register in _READ_ONLY or register >= _REGISTERS:
            self.refused += 1
            return
        changed = self.registers[register] != value
        if register in (POWER, RATE) and changed:
            self._go_on()
            self.registers[register] = value
            self._begin()
        self.registers[register] = value
        if register == FIFO:
            self._go_on()
            self._first = self._end

    def _begin(self):
        """Conversions, at the rate set, from now on."""
        rate_hz = 3200.0 / (1 << (15 - (self.registers[RATE] & 15))) * _FAST
        self._period_ps = int(1e12 / rate_hz) if self.registers[POWER] & _MEASURE else 0
        self._begun_ps = clock.now_ps
        self._first = self._end = self._fetched = 0

    def _go_on(self):
        """Conversions that are complete go into the FIFO."""
        if not self._period_ps:
            return
        self._end = (min(clock.now_ps, self._stopped_ps) - self._begun_ps) // self._period_ps
        held = _HELD if self.registers[FIFO] & _MODES == _STREAM else 1
        if self._end - self._first > held:
            self._first = self._end - held
            self.overrun = True
        self._fetch(max(self._fetched, self._first))

    def _fetch(self, first):
        count = self._end - first
        self._fetched = self._end
        if count <= 0:
            return
        last_ps = self._begun_ps + self._end * self._period_ps - self._period_ps // 2
        values = sense.means(sense.ACCELERATION, _AXES, count, last_ps, self._period_ps, self._period_ps)
        for i in range(count):
            at = (first + i) % 64 * _AXES
            for axis in range(_AXES):
                code = rounded(values[i * _AXES + axis] * 100_000, _PER_COUNT)
                self._ring[at + axis] = min(max(code, -4096), 4095)

    def _pop(self):
        self._popped_ps = clock.now_ps
        if self._first < self._end:
            self._first += 1

    def _violate(self, rule):
        self.violations[rule] = self.violations.get(rule, 0) + 1
