"""The ADS1256, to the bit, as its datasheet (TI SBAS288K) and its users describe it.

Commands p. 34, registers p. 30-32, filter and settling p. 18-20, calibration p. 24, DRDY and read modes
p. 35-36. From memory: the calibration times, the calibration constants (each pair FSC * beta comes to 2^23
within 3e-5, as it must) and the waiting times t10, t11, t16. A command sent too early is counted in
``violations`` by the name of the waiting time, and what is read too early is FF.
"""

import micropython

import clock
import faults
import front
import heap
from scale import codes_of, put_code, rounded, saturate

STATUS, MUX, ADCON, DRATE, IO, OFC, FSC = 0, 1, 2, 3, 4, 5, 8
_REGISTERS = 11
_ID = 0x30
_RESET_VALUES = bytes([_ID | 1, 0x01, 0x20, 0xF0, 0xE0, 0, 0, 0, 0, 0, 0])

_WAKEUPS = (0x00, 0xFF)
_RDATA, _RDATAC, _SDATAC = 0x01, 0x03, 0x0F
_RREG, _WREG = 0x10, 0x50
_SELFCAL, _SELFOCAL, _SELFGCAL, _SYSOCAL, _SYSGCAL = _CALIBRATIONS = (0xF0, 0xF1, 0xF2, 0xF3, 0xF4)
_SYNC, _STANDBY, _RESET = 0xFC, 0xFD, 0xFE

_ORDER = 0x08
_ACAL = 0x04
_BUFEN = 0x02

# DRATE code: (first-stage values averaged, time of SELFOCAL, SELFGCAL, SELFCAL in us, alpha, ideal FSC)
_RATES = {
    0xF0: (1, 387, 417, 596, 0x400000, 0x44AC08),
    0xE0: (2, 453, 484, 692, 0x400000, 0x44AC08),
    0xD0: (4, 587, 617, 892, 0x400000, 0x44AC08),
    0xC0: (8, 853, 884, 1300, 0x400000, 0x44AC08),
    0xB0: (15, 1300, 1400, 2000, 0x3C0000, 0x494008),
    0xA1: (30, 2300, 2400, 3600, 0x3C0000, 0x494008),
    0x92: (60, 4300, 4500, 6600, 0x3C0000, 0x494008),
    0x82: (300, 20300, 21000, 31200, 0x4B0000, 0x3A99A0),
    0x72: (500, 33700, 34100, 50900, 0x3E8000, 0x4651F3),
    0x63: (600, 40300, 41700, 61800, 0x4B0000, 0x3A99A0),
    0x53: (1000, 67000, 67800, 101300, 0x3E8000, 0x4651F3),
    0x43: (1200, 80300, 83000, 123200, 0x4B0000, 0x3A99A0),
    0x33: (2000, 133700, 135300, 202100, 0x3E8000, 0x4651F3),
    0x23: (3000, 200300, 207000, 307200, 0x5DC000, 0x2EE14C),
    0x13: (6000, 400300, 413700, 613800, 0x5DC000, 0x2EE14C),
    0x03: (12000, 800300, 827000, 1227200, 0x5DC000, 0x2EE14C),
}
_SETTLING_VALUES = 4  # a sinc5 that restarts has settled with its fifth value
_SETTLING_PS = 43_000_000  # and t18 is that and 43 us more

_CLKIN_PS = 130_208  # 7.68 MHz
_T6_PS = 50 * _CLKIN_PS
_T10_PS = 8 * _CLKIN_PS
_T11_SHORT_PS = 4 * _CLKIN_PS
_T11_LONG_PS = 24 * _CLKIN_PS
_T16_PS = 16 * _CLKIN_PS
_FASTEST_BYTE_PS = 8 * 4 * _CLKIN_PS - 1000  # SCLK at most a quarter of CLKIN; the pico is rounded
_SCLK_HALF_PS = 200_000  # SCLK high and low, at least
_EXTRA_EDGE_PS = 10_000_000
_EARLY = 16  # a rogue edge comes a sixteenth of a period too early for a reader that looks at the level
_GLITCH_PS = 1_000_000

_IDLE, _READ_COUNT, _WRITE_COUNT, _WRITE = 0, 1, 2, 3
_LARGEST_BATCH = 1500


def wire(settings, outputs, inputs):
    """The chip on the pins of the settings."""
    pins = settings.PINS
    chip = Ads1256(settings.REFERENCE_UV)
    outputs[pins["cs"]] = chip.select
    outputs[pins["sck"]] = chip.serial_clock
    outputs[pins["mosi"]] = chip.data_in
    inputs[pins["miso"]] = chip.data_out
    inputs[pins["drdy"]] = chip.data_ready
    if "reset" in pins:
        outputs[pins["reset"]] = chip.reset_pin
    return chip


class Ads1256:
    """The chip on its module: a 7.68 MHz crystal, a fixed reference, the bridge between AIN0 and AIN1."""

    def __init__(self, reference_uv):
        self._full = reference_uv * 20_000  # 2 * VREF in units of 100 pV
        self.registers = bytearray(_REGISTERS)
        self.violations = {}
        self.codes = bytearray(3 * _LARGEST_BATCH)
        self.codes_first = 0  # the data-ready of codes[0:3]
        self.codes_end = 0  # bytes in codes
        self.taken = 0  # the last data-ready whose code was read
        self.quick = False  # nothing stands between the driver and 24 bits of the code
        self.selected = False
        self.special = False
        self._bit = 0
        self._shifted_in = 0
        self._shifted_out = 0
        self._input_level = 1  # an SPI bus may leave its output as its last bit was
        self._rose_ps = 0
        self._glitch_ps = 0
        self._reset_held = False
        self._missing = 0
        self._extra = 0
        self._silent = False
        clock.attach(self)
        self.reset()

    # what the clock asks

    @micropython.native
    def driven(self):
        """A driver or a state machine listens to data-ready, or reads continuously."""
        return clock.handler is not None or clock.agent is not None or self._continuous

    def passed(self, count):
        """Data-readies with something wrong; see faults. Tells whether an edge follows."""
        noticed = True
        if self._missing:
            self._missing -= 1
            self.taken = clock.ready
            noticed = False
        elif self._extra:
            self._extra -= 1
            if clock.handler is None:
                self._glitch_ps = clock.next_ps - clock.period_ps // _EARLY
                self.quick = False
            else:
                clock.interrupt()
                clock.spend(_EXTRA_EDGE_PS)
        self.special = self._missing > 0 or self._extra > 0
        return noticed

    # pins

    def data_ready(self):
        """Level of DRDY: low while there is a code nobody has read; a short pulse high before the next."""
        if clock.next_ps <= clock.now_ps:
            clock.run_to(clock.now_ps)
        if 0 <= clock.now_ps - self._glitch_ps < _GLITCH_PS:
            return 0
        if clock.ready == self.taken or clock.next_ps - clock.now_ps <= _T16_PS:
            return 1
        return 0

    def quiet_until(self):
        """How long DRDY stays high if it is: up to a rogue edge, if one is due."""
        return self._glitch_ps if self._glitch_ps > clock.now_ps else clock.FAR

    def data_out(self):
        """Level of DOUT: the bit of the last rising edge of SCLK."""
        return self._shifted_out >> 7 & 1

    def data_in(self, level):
        """Level of DIN, where it is no pin of the SPI bus."""
        self._input_level = level

    def serial_clock(self, level):
        """An edge of SCLK that does not come from the SPI bus: a bit out at the rising one, then one in."""
        if not self.selected:
            return
        depth = heap.unlock()
        if level:
            self._clock_out()
        else:
            self._clock_in()
        heap.relock(depth)

    def _clock_out(self):
        if clock.now_ps - self._rose_ps < _FASTEST_BYTE_PS // 8:
            self._violate("sclk")
        self._rose_ps = clock.now_ps
        if self._bit == 0:
            if not self._continuous and self._state == _IDLE and self._reply_at == self._reply_end:
                self._check_command_time()
            out = self._shift_out()
            self._shifted_out = _reversed(out) if self.registers[STATUS] & _ORDER else out
        else:
            self._shifted_out = self._shifted_out << 1 & 0xFF

    def _clock_in(self):
        if clock.now_ps - self._rose_ps < _SCLK_HALF_PS:
            self._violate("sclk")
        if self._continuous and self._input_level:
            self._violate("din")
        self._shifted_in = (self._shifted_in << 1 | self._input_level) & 0xFF
        self._last_bit_ps = clock.now_ps
        self._bit = (self._bit + 1) & 7
        if self._bit == 0:
            if self._continuous:
                self._finish_code()
            self._shift_in(self._shifted_in)

    def select(self, level):
        """CS. High ends whatever exchange was going on."""
        if level and self.selected and clock.now_ps - self._last_bit_ps < _T10_PS:
            self._violate("t10")
        self.selected = not level
        self._state = _IDLE
        self._bit = 0
        self._reply_at = self._reply_end = 0
        self.quick = False

    def reset_pin(self, level):
        """RESET, active low."""
        if self._reset_held and level:
            depth = heap.unlock()
            self.reset()
            heap.relock(depth)
        self._reset_held = not level

    # the serial interface

    def exchange(self, byte, byte_ps, garbled):
        """Shift a byte in and one out, in ``byte_ps``; ``garbled`` when the SPI mode is not 1."""
        if byte_ps < _FASTEST_BYTE_PS:
            self._violate("sclk")
        out = self._shift_out()
        if not self._continuous and self._state == _IDLE and self._reply_at == self._reply_end:
            self._check_command_time()
        clock.spend(byte_ps)
        self._last_bit_ps = clock.now_ps
        if self._continuous:
            self._finish_code()
        if garbled:
            self._violate("mode")
            return out >> 1
        depth = heap.unlock()
        self._shift_in(byte)
        heap.relock(depth)
        return _reversed(out) if self.registers[STATUS] & _ORDER else out

    def _shift_out(self):
        """The next byte on DOUT."""
        if self._continuous:
            self._load_code()
        if self._reply_at == self._reply_end:
            return 0
        out = self._reply[self._reply_at]
        self._reply_at += 1
        if clock.now_ps < self._reply_from_ps:
            self._violate("t6")
            return 0xFF
        return out

    def _load_code(self):
        """Reading continuously, each data-ready, and each reading after a whole one, loads the code."""
        if self._loaded == clock.ready and self._reply_at < self._reply_end:
            return
        if self._loaded != clock.ready and 0 < self._reply_at < self._reply_end:
            self._violate("overrun")
        self._loaded = clock.ready
        self._reply_code()

    def _reply_code(self):
        at = self.code_at()
        for i in range(3):
            self._reply[i] = self.codes[at + i]
        self._reply_at = 0
        self._reply_end = 3

    def _finish_code(self):
        """DRDY goes high with the 24th bit."""
        self.quick = self._reply_at == 3 and not self.registers[STATUS] & _ORDER
        if self._reply_at == 3:
            self.taken = self._loaded

    def _shift_in(self, byte):
        if self._continuous:
            if byte in (_SDATAC, _RESET):
                self._obey(byte)
        elif self._state == _READ_COUNT:
            self._read_registers(byte & 15)
        elif self._state == _WRITE_COUNT:
            self._left = (byte & 15) + 1
            self._state = _WRITE
        elif self._state == _WRITE:
            self._write_register(byte)
        elif self._reply_at == self._reply_end and not self._end_reply():
            self._obey(byte)

    def _end_reply(self):
        """Whether a reply ended with this very byte: what came in meanwhile was no command."""
        ended = self._reply_end > 0
        if ended:
            if self._reply_is_code:
                self.taken = self._loaded
            self._reply_at = self._reply_end = 0
            self._command_from_ps = clock.now_ps + _T11_SHORT_PS
        return ended

    def _check_command_time(self):
        if clock.now_ps < self._busy_until_ps:
            self._violate("busy")
        elif clock.now_ps < self._command_from_ps:
            self._violate("t11")

    def _obey(self, byte):
        """Carry out a command."""
        self._reply_at = self._reply_end = 0
        self.quick = False
        if byte & 0xF0 in (_RREG, _WREG):
            self._at = byte & 15
            self._state = _READ_COUNT if byte < _WREG else _WRITE_COUNT
        elif byte in (_RDATA, _RDATAC, _SDATAC):
            self._choose_reading(byte)
        elif byte in _CALIBRATIONS:
            self._calibrate(byte)
        elif byte in (_SYNC, _STANDBY):
            self._halt()
        elif byte == _RESET:
            self.reset()
        elif byte not in _WAKEUPS:
            self._violate("command")
        elif self._halted:
            self._restart(0)
        long = byte in (_RDATAC, _SDATAC, _SYNC, _STANDBY, _RESET)
        self._command_from_ps = clock.now_ps + (_T11_LONG_PS if long else _T11_SHORT_PS)

    def _choose_reading(self, command):
        self._continuous = command == _RDATAC
        if command != _SDATAC:
            self._begin_reply()
        if command == _RDATA:
            self._loaded = clock.ready
            self._reply_is_code = True
            self._reply_code()

    def _begin_reply(self):
        self._reply_from_ps = clock.now_ps + _T6_PS
        self._reply_is_code = False
        self._loaded = -1

    def _read_registers(self, more):
        """RREG; past the last register comes the first."""
        self._state = _IDLE
        self._begin_reply()
        self._reply_at = 0
        self._reply_end = more + 1
        for i in range(more + 1):
            register = (self._at + i) % _REGISTERS
            value = self.registers[register]
            if register == STATUS:
                value = (value & 0xFE) | self.data_ready()
            self._reply[i] = value

    def _write_register(self, byte):
        register = self._at % _REGISTERS
        if register == STATUS:
            byte = (byte & 0x0E) | _ID
        if register == DRATE and byte not in _RATES:
            self._violate("rate")
            byte = self.registers[DRATE]
        changed = self.registers[register] ^ byte
        self.registers[register] = byte
        self._at += 1
        self._left -= 1
        if changed:
            self._apply(register, changed)
        if self._left == 0:
            self._state = _IDLE
            self._command_from_ps = clock.now_ps + _T11_SHORT_PS
            if self._recalibrate and self.registers[STATUS] & _ACAL:
                self._calibrate(_SELFCAL)
            self._recalibrate = False

    def _apply(self, register, changed):
        """Let a changed register act from the next code on."""
        if register == DRATE and not self._halted:
            self._restart(0)
        elif register in (MUX, ADCON) or register >= OFC:
            self._forget_codes()
        if changed & {DRATE: 0xFF, ADCON: 0x07, STATUS: _BUFEN}.get(register, 0):
            self._recalibrate = True

    def _violate(self, name):
        self.quick = False
        depth = heap.unlock()
        self.violations[name] = self.violations.get(name, 0) + 1
        heap.relock(depth)

    # conversions

    def reset(self):
        """Registers to their reset values, then a self-calibration."""
        self.registers[:] = _RESET_VALUES
        self._state = _IDLE
        self._reply = bytearray(16)
        self._reply_at = 0
        self._reply_end = 0
        self._reply_from_ps = 0
        self._reply_is_code = False
        self._loaded = -1
        self._continuous = False
        self._halted = False
        self._recalibrate = False
        self._last_bit_ps = 0
        self._command_from_ps = clock.now_ps + _T11_LONG_PS
        self._at = 0
        self._left = 0
        self._calibrate(_SELFCAL)
        self.quick = False

    def _calibrate(self, command):
        """Self- and system calibration; the simulated chip has no errors of its own to take out."""
        _, offset_us, gain_us, both_us, _, ideal = _RATES[self.registers[DRATE]]
        if command in (_SELFCAL, _SELFOCAL, _SYSOCAL):
            self.registers[OFC : OFC + 3] = bytes(3)
        if command in (_SELFCAL, _SELFGCAL, _SYSGCAL):
            self.registers[FSC : FSC + 3] = bytes([ideal & 255, (ideal >> 8) & 255, ideal >> 16])
        times_us = {_SELFCAL: both_us, _SELFOCAL: offset_us, _SYSOCAL: offset_us}
        self._restart(times_us.get(command, gain_us))
        self._busy_until_ps = clock.next_ps

    def _halt(self):
        """SYNC and STANDBY: no conversion until WAKEUP."""
        self._halted = True
        clock.next_ps = clock.FAR
        self.taken = clock.ready

    def _restart(self, time_us):
        """Begin converting anew: the first code is settled, after ``time_us`` or else after t18."""
        averaged = _RATES[self.registers[DRATE]][0]
        self._halted = False
        self._busy_until_ps = 0
        settling_ps = (averaged + _SETTLING_VALUES) * front.period_ps + _SETTLING_PS
        clock.period_ps = averaged * front.period_ps
        clock.next_ps = clock.now_ps + (time_us * clock.US or settling_ps)
        if self._silent:
            clock.next_ps = clock.FAR
        self.taken = clock.ready
        self._averaged = averaged
        self._begin_codes()

    def _begin_codes(self):
        """The next data-ready is the first of a new sequence."""
        self._origin = clock.ready + 1
        self._origin_ps = clock.next_ps
        self._aligned = False
        self._forget_codes()

    def _forget_codes(self):
        self.codes_end = 0

    def code_at(self):
        """Where in ``codes`` the latest code lies; asks the bench for more when it has to."""
        at = (clock.ready - self.codes_first) * 3
        if 0 <= at < self.codes_end:
            return at
        depth = heap.unlock()
        self._load_codes()
        if front.fault:
            self._suffer(*front.take_fault())
        heap.relock(depth)
        return 0

    def _load_codes(self):
        """Codes of about 50 ms from the latest data-ready on."""
        self.codes_first = clock.ready
        self.codes_end = 3
        if clock.ready < self._origin:
            put_code(0, self.codes, 0)
            return
        averaged = self._averaged
        if not self._aligned:
            self._aligned = True
            self._first_value = front.align(self._origin_ps - (averaged - 1) * front.period_ps)
        number = self._first_value + (clock.ready - self._origin) * averaged
        if averaged > front.batch:
            self._load_slow_code(number)
            return
        outputs = min(front.batch // averaged, _LARGEST_BATCH)
        front.load(number, outputs * averaged)
        self.codes_end = 3 * outputs
        polarity, gain = self._input()
        if polarity == 1 and self._is_calibrated():
            codes_of(front.values, averaged, outputs, gain, self._full, self.codes)
            return
        for i in range(outputs):
            total = sum(front.values[i * averaged : (i + 1) * averaged])
            put_code(self._code(total * polarity * gain), self.codes, 3 * i)

    def _load_slow_code(self, number):
        total = 0
        left = self._averaged
        while left:
            wanted = min(left, front.batch)
            front.load(number, wanted)
            total += sum(front.values[0:wanted])
            number += wanted
            left -= wanted
        polarity, gain = self._input()
        put_code(self._code(total * polarity * gain), self.codes, 0)

    def _input(self):
        """(+1, -1 or 0, gain): the bridge lies between AIN0 and AIN1; any other pair sees nothing."""
        polarity = {0x01: 1, 0x10: -1}.get(self.registers[MUX], 0)
        return polarity, 1 << min(self.registers[ADCON] & 7, 6)

    def _calibration(self):
        r = self.registers
        offset = r[OFC] | (r[OFC + 1] << 8) | (r[OFC + 2] << 16)
        if offset & 0x800000:
            offset -= 0x1000000
        return offset, r[FSC] | (r[FSC + 1] << 8) | (r[FSC + 2] << 16)

    def _is_calibrated(self):
        return self._calibration() == (0, _RATES[self.registers[DRATE]][5])

    def _code(self, amplified):
        """(PGA * Vin / (2 * VREF) - OFC / alpha) * FSC * beta; beta makes the ideal FSC come to 2^23 - 1."""
        offset, scale = self._calibration()
        _, _, _, _, alpha, ideal = _RATES[self.registers[DRATE]]
        whole = self._averaged * self._full
        numerator = (amplified * alpha - offset * whole) * scale * 0x7FFFFF
        return saturate(rounded(numerator, whole * alpha * ideal))

    # faults

    def _suffer(self, fault, argument):
        """What came with the bench's answer; see faults."""
        if fault == faults.MISSED_READY:
            self._missing = argument
        elif fault == faults.EXTRA_READY:
            self._extra = argument
        elif fault == faults.SILENT:
            self._fall_silent(argument)
        elif fault == faults.CHIP_RESET:
            self.reset()
        else:
            faults.happen(fault, argument)
        self.special = self._missing > 0 or self._extra > 0

    def _fall_silent(self, duration_ms):
        """Only the code at hand is left; what follows begins at the end of the silence."""
        self._silent = duration_ms == 0
        clock.next_ps = clock.FAR if self._silent else clock.next_ps + duration_ms * clock.MS
        self._begin_codes()
        self.codes_end = 3


def _reversed(byte):
    """The bits of a byte in the other order."""
    out = 0
    for _ in range(8):
        out = (out << 1) | (byte & 1)
        byte >>= 1
    return out
