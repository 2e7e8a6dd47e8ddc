"""ADS1220: 24 bits at 20 to 2,000 S/s over SPI with a data-ready line; ratiometric at 3.3 V.

Source: TI data sheet SBAS501 (commands, registers and rate codes; conversion times in clock periods from
memory of it). The bridge's excitation is wired to REFP0 and REFN0 and is the reference, so its value does
not matter. Each conversion is settled by itself, so a filter no longer than a conversion is assumed, and a
delay of half of it. The chip's clock is 2 % off at most; the host measures the rate from the ticks.
"""

from time import sleep_ms

from anvilwire.messages import EXCITATION_IS_REFERENCE, SCALE_RATIO
from converters import ConverterError
from machine import SPI, Pin
from readyring import ReadyRing

_RESET = b"\x06"
_START = b"\x08"
_READ_ALL = b"\x23"
_WRITE_ALL = 0x43
_REGISTERS = 4

_AIN0_AIN1 = 0x00
_CONTINUOUS = 0x04
_NORMAL = 0x00
_TURBO = 0x10
_REFERENCE_0 = 0x40  # between REFP0 and REFN0

_SPI_HZ = 2_000_000
_CLOCK_HZ = 4_096_000
_STEADY_MOST = 8  # samples; nominal rate and clock together are off by 6 % at most

# rate in mHz, DR code, mode, clock periods in a conversion
_RATES = (
    (2_000_000, 6, _TURBO, 2121),
    (1_200_000, 5, _TURBO, 3497),
    (1_000_000, 6, _NORMAL, 4242),
    (600_000, 5, _NORMAL, 6994),
    (330_000, 4, _NORMAL, 12562),
    (175_000, 3, _NORMAL, 23762),
    (90_000, 2, _NORMAL, 46226),
    (45_000, 1, _NORMAL, 91218),
    (20_000, 0, _NORMAL, 204768),
)
_GAINS = (128, 64, 32, 16, 8, 4, 2, 1)


class Converter:
    """The chip on the pins ``spi``, ``sck``, ``mosi``, ``miso``, ``cs`` and ``drdy``."""

    name = "ads1220"
    code_bits = 24
    full_scale_code = 8388608
    saturation_low = -8388608
    saturation_high = 8388607
    scale_kind = SCALE_RATIO
    excitation_uv = 0
    excitation_source = EXCITATION_IS_REFERENCE
    default_rate_mhz = 2_000_000
    default_gain = 128

    def __init__(self, settings):
        pins = settings.PINS
        self.rates = tuple(
            [(rate, clocks * 1_000_000 // (2 * _CLOCK_HZ // 1000)) for rate, _, _, clocks in _RATES]
        )
        # full scale is the excitation over the gain
        self.gains = tuple([(gain, 1_000_000_000 // gain) for gain in _GAINS])
        self._cs = Pin(pins["cs"], Pin.OUT, value=1)
        self._spi = SPI(
            pins["spi"],
            baudrate=_SPI_HZ,
            polarity=0,
            phase=1,
            sck=Pin(pins["sck"]),
            mosi=Pin(pins["mosi"]),
            miso=Pin(pins["miso"]),
        )
        self._ready = ReadyRing("ADS1220", self._spi, Pin(pins["drdy"], Pin.IN), _STEADY_MOST)
        self._wanted = bytes(_REGISTERS)
        self._found = bytearray(_REGISTERS)

    def probe(self):
        """Reset the chip: its registers must read zero, and then what is written to them."""
        self._cs(0)
        self._spi.write(_RESET)
        sleep_ms(1)
        self._cs(1)
        self._wanted = bytes(_REGISTERS)
        self._compare("after reset")
        self._set(_RATES[0], 0)

    def configure(self, rate_mhz, gain):
        """Set rate and gain; return the four registers as read back."""
        self._set([row for row in _RATES if row[0] == rate_mhz][0], 7 - _GAINS.index(gain))
        self._ready.set_rate(rate_mhz)
        self._cs(0)
        self._spi.write(_START)
        self._ready.await_ready(300)
        self._cs(1)
        return bytes(self._found)

    def start(self):
        """Restart the filter: the first sample is settled."""
        self._cs(0)
        self._spi.write(_START)
        self._ready.listen()

    def fill(self, block):
        """Move samples into the block; see the contract in ``converters``."""
        return self._ready.fill(block)

    def stop(self):
        """Leave the chip converting: it stays warm, and so does the bridge. Read the settings back."""
        self._ready.deafen()
        self._cs(1)
        self._compare("as set")

    def _set(self, rate, gain_code):
        _, code, mode, _ = rate
        self._wanted = bytes(
            [_AIN0_AIN1 | gain_code << 1, code << 5 | mode | _CONTINUOUS, _REFERENCE_0, 0x00]
        )
        self._cs(0)
        self._spi.write(bytes([_WRITE_ALL]) + self._wanted)
        self._cs(1)
        self._compare("as set")

    def _compare(self, when):
        """Read the registers; raise unless they are what was wanted."""
        found = self._found
        self._cs(0)
        self._spi.write(_READ_ALL)
        self._spi.readinto(found)
        self._cs(1)
        for register in range(_REGISTERS):
            if found[register] != self._wanted[register]:
                raise ConverterError(
                    "ADS1220: register %d reads 0x%02x, not 0x%02x %s: chip reset, or bad wiring"
                    % (register, found[register], self._wanted[register], when)
                )
