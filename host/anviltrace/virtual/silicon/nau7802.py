"""The NAU7802, to the bit, as its register map and its users describe it.

Register map from two open drivers (cedargrove-nau7802 and nau7802 on PyPI). From memory: the reset values
of the gain calibration (800000h, one) and of the revision (Fh), power-up ready after 200 us, and that
reading the last data byte clears the ready bit. A calibration takes 344 ms, as a maker's driver says. The
filter is this model's own: sinc4 at the data rate, made of first-stage values that are a sinc4 at 320 S/s
(four moving sums in a row turn the one into the other exactly). Worst case assumed: data bytes are not
held for the reader, so a conversion that completes in mid-read tears them.
"""

from array import array

import clock
import faults
import front
import heap
from scale import rounded, saturate

PU_CTRL, CTRL1, CTRL2, OCAL, GCAL, ADCO, PWR_CTRL, REVISION = 0, 1, 2, 3, 6, 0x12, 0x1C, 0x1F
_REGISTERS = 0x20
_RESET_VALUES = {GCAL: 0x00, GCAL + 1: 0x80, REVISION: 0x0F}
_READ_ONLY = (ADCO, ADCO + 1, ADCO + 2, REVISION)

_RR, _PUD, _PUA, _PUR, _CS, _CR = 1, 2, 4, 8, 16, 32
_CALS = 4
_CONVERTING = _PUD | _PUA | _CS
_AVERAGED = {0: 32, 1: 16, 2: 8, 3: 4, 7: 1}  # CRS code: first-stage values in a period
_SETTLING_PERIODS = 4
_READY_PS = 200 * clock.US
_CALIBRATION_PS = 344 * clock.MS
_OFFSET = 0x1234  # the amplifier's own, in codes; calibration takes it out
_FULL = 100_000_000_000  # an input of 1 V/V in units of 10 pV/V
_FORGOTTEN_PS = 1500 * clock.MS


def wire(settings, _outputs, inputs):
    """The chip on the bus, and perhaps on a pin, of the settings."""
    chip = Nau7802()
    if "drdy" in settings.PINS:
        inputs[settings.PINS["drdy"]] = chip.data_ready
    return chip


class Nau7802:
    """The chip on its module: the LDO feeds the bridge, and the reference is the same."""

    address = 0x2A

    def __init__(self):
        self.refused = 0  # writes to registers that cannot be written
        self.registers = bytearray(_REGISTERS)
        self.special = True
        self._seen_ps = -_FORGOTTEN_PS
        self._missing = 0
        self._deaf = 0  # transfers nobody will acknowledge, -1 for all
        self._silent = False
        clock.attach(self)
        self.reset()

    # what the clock asks

    def driven(self):
        """A driver talked to the chip not long ago."""
        return clock.now_ps - self._seen_ps < _FORGOTTEN_PS

    def passed(self, count):
        """A conversion is complete: it replaces an unread one. One that nobody notices shows nothing."""
        if self._missing:
            self._missing -= 1
            self._taken = clock.ready
            return False
        return True

    # pins and bus

    def data_ready(self):
        """Level of DRDY: high while there is a conversion nobody has read."""
        if clock.next_ps <= clock.now_ps:
            clock.run_to(clock.now_ps)
        return 1 if self._is_converting() and clock.ready != self._taken else 0

    def acknowledges(self):
        """Whether the chip answers to its address."""
        self._seen_ps = clock.now_ps
        clock.choose()
        if self._deaf == 0:
            return True
        if self._deaf > 0:
            self._deaf -= 1
        return False

    def read(self, register, buffer, byte_ps):
        """Read bytes from ``register`` on, each as it is when its turn comes."""
        for i in range(len(buffer)):
            at = (register + i) % _REGISTERS
            buffer[i] = self._value(at)
            clock.spend(byte_ps)
            if at == ADCO + 2:
                self._taken = self._begun

    def write(self, register, data, byte_ps):
        """Write bytes from ``register`` on."""
        depth = heap.unlock()
        for i in range(len(data)):
            clock.spend(byte_ps)
            self._write((register + i) % _REGISTERS, data[i])
        heap.relock(depth)

    # registers

    def reset(self):
        """Every register to its reset value; powered down."""
        for i in range(_REGISTERS):
            self.registers[i] = _RESET_VALUES.get(i, 0)
        self._up_ps = clock.FAR
        self._calibrated_ps = clock.FAR
        self._taken = clock.ready
        self._begun = clock.ready
        self._averaged = 32
        self._origin = clock.FAR
        self._loaded = -1
        self._code = 0
        clock.next_ps = clock.FAR

    def _value(self, register):
        value = self.registers[register]
        if register == PU_CTRL:
            value &= 0xFF & ~(_PUR | _CR)
            if clock.now_ps >= self._up_ps:
                value |= _PUR
            if self.data_ready():
                value |= _CR
        elif register == CTRL2:
            if self._calibrated_ps <= clock.now_ps:
                self._end_calibration()
            value = self.registers[CTRL2]
        elif ADCO <= register < ADCO + 3:
            if register == ADCO:
                self._begun = clock.ready
            value = self._code_now() >> (8 * (ADCO + 2 - register)) & 255
        return value

    def _write(self, register, value):
        if self.registers[PU_CTRL] & _RR and register != PU_CTRL:
            return  # held in reset
        if register in _READ_ONLY:
            self.refused += 1
            return
        changed = self.registers[register] ^ value
        self.registers[register] = value
        if register == PU_CTRL:
            self._power(value, changed)
        elif register == CTRL2 and value & _CALS:
            self._calibrated_ps = clock.now_ps + _CALIBRATION_PS
            clock.next_ps = clock.FAR
        elif register in (CTRL1, CTRL2) and changed and self._is_converting():
            self._begin()

    def _power(self, value, changed):
        if value & _RR:
            self.reset()
            self.registers[PU_CTRL] = _RR
            return
        if changed & _PUD:
            self._up_ps = clock.now_ps + _READY_PS if value & _PUD else clock.FAR
        if changed & _CONVERTING:
            if self._is_converting():
                self._begin()
            else:
                clock.next_ps = clock.FAR

    def _end_calibration(self):
        """The offset goes into the register that is subtracted."""
        self._calibrated_ps = clock.FAR
        self.registers[CTRL2] &= 0xFF & ~_CALS
        self.registers[OCAL : OCAL + 3] = bytes([_OFFSET >> 16, _OFFSET >> 8 & 255, _OFFSET & 255])
        if self._is_converting():
            self._begin()

    # conversions

    def _is_converting(self):
        return self.registers[PU_CTRL] & _CONVERTING == _CONVERTING

    def _begin(self):
        """A new sequence: the first conversion is settled, after four periods."""
        self._averaged = _AVERAGED.get(self.registers[CTRL2] >> 4 & 7, 32)
        self._weights = _sinc4(self._averaged)
        clock.period_ps = self._averaged * front.period_ps
        first_ps = clock.now_ps + _SETTLING_PERIODS * clock.period_ps
        clock.next_ps = clock.FAR if self._silent else first_ps
        self._taken = clock.ready
        self._origin = clock.ready + 1
        self._origin_ps = first_ps
        self._aligned = False
        self._loaded = -1

    def _code_now(self):
        """The code of the latest conversion, as 24 bits."""
        if self._loaded != clock.ready and clock.ready >= self._origin:
            depth = heap.unlock()
            self._load()
            if front.fault:
                self._suffer(*front.take_fault())
            heap.relock(depth)
        return self._code

    def _load(self):
        self._loaded = clock.ready
        span = len(self._weights)
        if not self._aligned:
            self._aligned = True
            self._first_value = front.align(self._origin_ps - (span - 1) * front.period_ps)
            self._history = array("i", [0] * span)
            self._next_value = self._first_value
        first = self._first_value + (clock.ready - self._origin) * self._averaged
        self._fetch(max(self._next_value, first), first + span)
        total = sum([self._weights[i] * self._history[i] for i in range(span)])
        self._code = self._coded(total, self._averaged**4) & 0xFFFFFF

    def _fetch(self, number, end):
        """Values up to ``end`` into the history, the latest last."""
        while number < end:
            if not front.first <= number < front.first + front.count:
                front.load(number, front.batch)
            at = number - front.first
            wanted = min(end - number, front.count - at)
            self._history = self._history[wanted:] + front.values[at : at + wanted]
            number += wanted
        self._next_value = end

    def _coded(self, total, whole):
        """(input * gain / (VREF / 2) * 2^23 + offset - OCAL) * GCAL / 2^23, where an input has no unit."""
        gain = 1 << (self.registers[CTRL1] & 7)
        code = rounded(total * gain << 24, _FULL * whole) + _OFFSET - self._register24(OCAL)
        return saturate(code * (self._register24(GCAL + 1) or 0x800000) // 0x800000)

    def _register24(self, first):
        r = self.registers
        return r[first] << 16 | r[first + 1] << 8 | r[first + 2]

    # faults

    def _suffer(self, fault, argument):
        if fault == faults.MISSED_READY:
            self._missing = argument
        elif fault == faults.CHIP_RESET:
            self.reset()
        elif fault == faults.SILENT:
            self._silent = argument == 0
            self._fall_silent(argument)
        elif fault == faults.UNACKNOWLEDGED:
            self._deaf = argument or -1
        else:
            faults.happen(fault, argument)

    def _fall_silent(self, duration_ms):
        """Conversions begin anew at the end of the silence, which may be never."""
        code, taken = self._code, self._taken
        self._begin()
        clock.next_ps += duration_ms * clock.MS if not self._silent else 0
        self._origin_ps = clock.next_ps
        self._code, self._taken = code, taken
        self._loaded = clock.ready


def _sinc4(count):
    """Weights of four moving sums over ``count`` values in a row."""
    weights = [1]
    for _ in range(4):
        longer = [0] * (len(weights) + count - 1)
        for i in range(len(weights)):
            for j in range(count):
                longer[i + j] += weights[i]
        weights = longer
    return weights
