"""ADS1256: 24 bits, up to 30 kS/s, over SPI with a data-ready line.

Source: TI datasheet SBAS288K (commands p. 34, registers p. 30-32, filter p. 18-20, calibration p. 24).
Read by an interrupt at each data-ready, up to 7,500 samples a second: on an RP2040 or RP2350 under
MicroPython that keeps up with about 3,750 and at best with these. Where the settings name a state machine
(``pio``) and the board has one, it reads from 3,750 samples a second up, and 15,000 and 30,000 are on offer
too (see ``wordring``). Samples that a board misses are counted as lost, never hidden.
"""

from time import sleep_ms, sleep_us

from anvilwire.messages import EXCITATION_MEASURED, EXCITATION_NOMINAL, SCALE_VOLTAGE
from converters import ConverterError
from machine import SPI, Pin
from readyring import ReadyRing

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
_MOST_BY_INTERRUPT_MHZ = 7_500_000
_LEAST_BY_PIO_MHZ = 3_750_000
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


def _group_delay_ns(averaged):
    """Delay of the sinc5 (316 taps at 1.92 MHz) and of the average of ``averaged`` outputs behind it."""
    return 82_031 + (averaged - 1) * 50_000 // 3


class Converter:
    """The chip on the pins ``spi``, ``sck``, ``mosi``, ``miso``, ``cs``, ``drdy`` and perhaps ``reset``.

    ``pio`` is a state machine that reads the fast rates.
    """

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
        self.gains = tuple([(gain, 2000 * settings.REFERENCE_UV // gain) for gain in _GAINS])
        self._cs = Pin(pins["cs"], Pin.OUT, value=1)
        self._reset = Pin(pins["reset"], Pin.OUT, value=1) if "reset" in pins else None
        sck, mosi, miso = Pin(pins["sck"]), Pin(pins["mosi"]), Pin(pins["miso"])
        drdy = Pin(pins["drdy"], Pin.IN)
        self._spi = SPI(pins["spi"], baudrate=_SPI_HZ, polarity=0, phase=1, sck=sck, mosi=mosi, miso=miso)
        self._ready = ReadyRing("ADS1256", self._spi, drdy)
        self._words = _word_ring(pins, sck, mosi, miso, drdy)
        self._source = self._ready
        most = _RATES[0][0] if self._words is not None else _MOST_BY_INTERRUPT_MHZ
        self.rates = tuple(
            [(rate, _group_delay_ns(averaged)) for rate, _, averaged in _RATES if rate <= most]
        )
        self._wanted = bytes(4)
        self._registers = bytearray(_REGISTERS)

    def probe(self):
        """Reset the chip and compare the registers with their reset values; the ID bits differ by batch."""
        self._hard_reset()
        self._ready.await_ready(1000)
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
        self._ready.await_ready(2500)
        found = self._read_registers()
        self._wanted = wanted
        self._compare(found)
        by_pio = self._words is not None and rate_mhz >= _LEAST_BY_PIO_MHZ
        self._source = self._words if by_pio else self._ready
        self._source.set_rate(rate_mhz)
        return bytes(found)

    def start(self):
        """Restart the filter and read continuously: the first sample is fully settled."""
        self._cs(0)
        self._spi.write(_SYNC)
        sleep_us(_T11_US)
        self._spi.write(_WAKEUP)
        self._ready.await_ready(2500)
        self._spi.write(_RDATAC)
        sleep_us(_T6_US)
        self._source.listen()

    def fill(self, block):
        """Move samples into the block; see the contract in ``converters``."""
        return self._source.fill(block)

    def stop(self):
        """Leave continuous reading (SDATAC is due while data-ready is low) and read the settings back."""
        self._source.deafen()
        try:
            self._ready.await_ready(500)
        except ConverterError:
            pass
        self._spi.write(_SDATAC)
        sleep_us(_T11_US)
        self._cs(1)
        self._compare(self._read_registers())

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


def _word_ring(pins, sck, mosi, miso, drdy):
    """The state machine that reads the fast rates, or None where none is named or the board has none."""
    if "pio" not in pins:
        return None
    try:
        from wordring import WordRing
    except ImportError:
        return None
    return WordRing("ADS1256", pins["pio"], sck, mosi, miso, drdy)
