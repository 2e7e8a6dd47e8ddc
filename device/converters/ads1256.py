"""ADS1256: 24 bits, up to 30 kS/s, over SPI with a data-ready line.

Source: TI datasheet SBAS288K (commands p. 34, registers p. 30-32, filter p. 18-20, calibration p. 24).
Read by an interrupt at each data-ready. On an RP2040 or RP2350 under MicroPython that keeps up to about
3,750 and at best 7,500 samples a second; faster rates are on offer because the chip has them, and samples
that a slow board misses are counted as lost, never hidden.
"""

from array import array
from time import sleep_ms, sleep_us, ticks_diff, ticks_ms, ticks_us

from anvilwire.messages import EXCITATION_MEASURED, EXCITATION_NOMINAL, SCALE_VOLTAGE
from converters import ConverterError
from machine import SPI, Pin

TYPE_CHECKING = False
if TYPE_CHECKING:
    from typing import Any

_WAKEUP = b"\x00"
_RDATAC = b"\x03"
_SDATAC = b"\x0f"
_SELFCAL = b"\xf0"
_SYNC = b"\xfc"
_RESET = b"\xfe"
_RREG = 0x10
_WREG = 0x50

_STATUS = 0
_REGISTERS = 11
_READ_ALL = bytes([_RREG, _REGISTERS - 1])
_RESET_VALUES = ((1, 0x01), (2, 0x20), (3, 0xF0))  # MUX, ADCON, DRATE
_BUFFER_ON = 0x02
_AIN0_AIN1 = 0x01
_SPI_HZ = 1_920_000  # a quarter of the 7.68 MHz crystal, the most the chip takes
_T6_US = 7  # 50 crystal periods between a read command and its first data bit
_T11_US = 4  # 24 crystal periods after SYNC, RESET and RDATAC

# rate in mHz, DRATE code, sinc5 outputs averaged
_RATES = (
    (30_000_000, 0xF0, 1),
    (15_000_000, 0xE0, 2),
    (7_500_000, 0xD0, 4),
    (3_750_000, 0xC0, 8),
    (2_000_000, 0xB0, 15),
    (1_000_000, 0xA1, 30),
    (500_000, 0x92, 60),
    (100_000, 0x82, 300),
    (60_000, 0x72, 500),
    (50_000, 0x63, 600),
    (30_000, 0x53, 1000),
    (25_000, 0x43, 1200),
    (15_000, 0x33, 2000),
    (10_000, 0x23, 3000),
    (5_000, 0x13, 6000),
    (2_500, 0x03, 12000),
)
_GAINS = (1, 2, 4, 8, 16, 32, 64)

_SURPLUS_WEIGHT = 8
_SURPLUS_MOST = 128  # reached when more than every eighth data-ready is one too many

_RING = 1024
_MASK = _RING - 1


def _group_delay_ns(averaged):
    """Delay of the sinc5 (316 taps at 1.92 MHz) and of the average of ``averaged`` outputs behind it."""
    return 82_031 + (averaged - 1) * 50_000 // 3


class Converter:
    """The chip on the pins ``spi``, ``sck``, ``mosi``, ``miso``, ``cs``, ``drdy`` and perhaps ``reset``."""

    name = "ads1256"
    code_bits = 24
    full_scale_code = 8388607
    saturation_low = -8388608
    saturation_high = 8388607
    scale_kind = SCALE_VOLTAGE
    default_rate_mhz = 7_500_000
    default_gain = 64

    def __init__(self, settings):
        pins = settings.PINS
        self.excitation_uv = settings.EXCITATION_UV
        self.excitation_source = EXCITATION_MEASURED if settings.EXCITATION_MEASURED else EXCITATION_NOMINAL
        self.rates = tuple([(rate, _group_delay_ns(averaged)) for rate, _, averaged in _RATES])
        self.gains = tuple([(gain, 2000 * settings.REFERENCE_UV // gain) for gain in _GAINS])
        self._cs = Pin(pins["cs"], Pin.OUT, value=1)
        self._drdy = Pin(pins["drdy"], Pin.IN)
        self._reset = Pin(pins["reset"], Pin.OUT, value=1) if "reset" in pins else None
        self._spi = SPI(
            pins["spi"],
            baudrate=_SPI_HZ,
            polarity=0,
            phase=1,
            sck=Pin(pins["sck"]),
            mosi=Pin(pins["mosi"]),
            miso=Pin(pins["miso"]),
        )
        self._handler = self._on_ready
        self._sample = bytearray(3)
        self._wanted = bytes(4)
        self._registers = bytearray(_REGISTERS)
        self._surplus = 0
        self._ring = bytearray(3 * _RING)
        self._ticks: "Any" = array("i", [0] * _RING)
        self._head = 0
        self._tail = 0
        self._last_tick: "Any" = -1
        self._started: "Any" = 0
        self._period_16 = 0  # sample period in sixteenths of a microsecond
        self._silence_us = 0

    def probe(self):
        """Reset the chip and compare the registers with their reset values; the ID bits differ by batch."""
        self._hard_reset()
        self._await_ready(1000)
        found = self._read_registers()
        for register, value in _RESET_VALUES:
            if found[register] != value:
                raise ConverterError(
                    "ADS1256: register %d reads 0x%02x after reset, not 0x%02x: check power and SPI wiring"
                    % (register, found[register], value)
                )

    def configure(self, rate_mhz, gain):
        """Set rate and gain, self-calibrate, read everything back; return all 11 registers."""
        code = [code for rate, code, _ in _RATES if rate == rate_mhz][0]
        wanted = bytes([_BUFFER_ON, _AIN0_AIN1, _GAINS.index(gain), code])
        self._command(_SDATAC)
        self._write_registers(_STATUS, wanted)
        self._command(_SELFCAL)
        sleep_us(_T11_US)
        self._await_ready(2500)
        found = self._read_registers()
        self._wanted = wanted
        self._compare(found)
        self._period_16 = 16_000_000_000 // rate_mhz
        self._silence_us = 100_000 + 20 * self._period_16 // 16
        return bytes(found)

    def start(self):
        """Restart the filter and read continuously: the first sample is fully settled."""
        self._head = 0
        self._tail = 0
        self._surplus = 0
        self._last_tick = -1
        self._cs(0)
        self._spi.write(_SYNC)
        sleep_us(_T11_US)
        self._spi.write(_WAKEUP)
        self._await_ready(2500)
        self._spi.write(_RDATAC)
        sleep_us(_T6_US)
        self._started = ticks_us()
        self._drdy.irq(handler=self._handler, trigger=Pin.IRQ_FALLING, hard=True)

    def fill(self, block):
        """Move samples into the block; see the contract in ``converters``."""
        while self._tail != self._head:
            room = block.room()
            if room == 0:
                return False
            count = min((self._head - self._tail) & 0x3FFFFFFF, room, _RING - (self._tail & _MASK))
            if self._steady(count):
                self._take(block, count)
            elif self._take_one(block):
                return True
        if ticks_diff(ticks_us(), self._heard()) > self._silence_us:
            raise ConverterError("ADS1256: no data-ready for %d ms" % (self._silence_us // 1000))
        return False

    def stop(self):
        """Leave continuous reading (SDATAC is due while data-ready is low) and read the settings back."""
        self._drdy.irq(handler=None)
        try:
            self._await_ready(500)
        except ConverterError:
            pass
        self._spi.write(_SDATAC)
        sleep_us(_T11_US)
        self._cs(1)
        self._compare(self._read_registers())

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
                raise ConverterError("ADS1256: data-ready comes too often: chip reset, or noise on DRDY")
            return False
        if lost > 0:
            if block.count:
                return True
            block.lose(lost)
        self._take(block, 1)
        return False

    def _hard_reset(self):
        self._cs(0)
        if self._reset is not None:
            self._reset(0)
            sleep_us(_T11_US)
            self._reset(1)
        else:
            self._spi.write(_SDATAC)
            sleep_us(_T11_US)
            self._spi.write(_RESET)
        sleep_ms(1)
        self._cs(1)

    def _await_ready(self, limit_ms):
        since = ticks_ms()
        while self._drdy():
            if ticks_diff(ticks_ms(), since) > limit_ms:
                raise ConverterError(
                    "ADS1256: no data-ready within %d ms: check power and the DRDY wire" % limit_ms
                )
            sleep_us(10)

    def _command(self, command):
        self._cs(0)
        self._spi.write(command)
        sleep_us(_T11_US)
        self._cs(1)

    def _read_registers(self):
        found = self._registers
        self._cs(0)
        self._spi.write(_READ_ALL)
        sleep_us(_T6_US)
        self._spi.readinto(found)
        sleep_us(_T11_US)
        self._cs(1)
        return found

    def _write_registers(self, first, values):
        self._cs(0)
        self._spi.write(bytes([_WREG | first, len(values) - 1]) + values)
        sleep_us(_T11_US)
        self._cs(1)

    def _compare(self, found):
        """Raise unless the chip has the settings it was given; STATUS carries the ID and DRDY beside them."""
        wanted = self._wanted
        for register in range(len(wanted)):
            mask = 0x0E if register == _STATUS else 0xFF
            if (found[register] ^ wanted[register]) & mask:
                raise ConverterError(
                    "ADS1256: register %d reads 0x%02x, not 0x%02x as set: chip reset, or bad wiring"
                    % (register, found[register], wanted[register])
                )
