"""A sixth converter: a counter chip on I2C that no one makes. The driver a newcomer would write."""

from time import sleep_ms, ticks_diff, ticks_us

from anvilwire.messages import EXCITATION_IS_REFERENCE, SCALE_RATIO
from converters import ConverterError
from machine import I2C, Pin

_ADDRESS = 0x51
_NUMBER = 0x00  # of the latest reading, modulo 256
_READING = 0x01  # three bytes, the most significant first
_PERIOD_US = 1000


class Converter:
    """The chip on the pins ``i2c`` (a bus number), ``scl`` and ``sda``."""

    name = "counter"
    code_bits = 24
    full_scale_code = 8388608
    saturation_low = -8388608
    saturation_high = 8388607
    scale_kind = SCALE_RATIO
    excitation_uv = 0
    excitation_source = EXCITATION_IS_REFERENCE
    default_rate_mhz = 1_000_000
    default_gain = 1
    rates = ((1_000_000, 500_000),)
    gains = ((1, 4_000_000),)

    def __init__(self, settings):
        pins = settings.PINS
        self._i2c = I2C(pins["i2c"], scl=Pin(pins["scl"]), sda=Pin(pins["sda"]), freq=400_000)
        self._byte = bytearray(1)
        self._bytes = bytearray(3)
        self._number = 0
        self._heard = 0
        self._begun = False

    def probe(self):
        """A chip that is there counts on."""
        before = self._count()
        sleep_ms(5)
        if self._count() == before:
            raise ConverterError("counter: it does not count: check its supply")

    def configure(self, rate_mhz, gain):
        """There is nothing to set up, and no register to read back."""
        if (rate_mhz, gain) != (self.default_rate_mhz, self.default_gain):
            raise ConverterError("counter: it has one rate and no gain")
        return b""

    def start(self):
        """Begin with the reading after the one at hand."""
        self._number = self._count()
        self._heard = ticks_us()
        self._begun = False

    def fill(self, block):
        """Take a reading if there is a new one; see the contract in ``converters``."""
        passed = (self._count() - self._number) & 255
        if passed == 0:
            if ticks_diff(ticks_us(), self._heard) > 100 * _PERIOD_US:
                raise ConverterError("counter: no reading for 100 ms")
            return False
        if block.room() == 0:
            return False
        if passed > 1 and self._begun:
            if block.count:
                return True
            block.lose(passed - 1)
        self._heard = ticks_us()
        self._number = (self._number + passed) & 255
        self._begun = True
        self._read(_READING, self._bytes)
        code = self._bytes[0] << 16 | self._bytes[1] << 8 | self._bytes[2]
        block.put(code - 0x1000000 if code & 0x800000 else code, self._heard)
        return False

    def stop(self):
        """It goes on counting."""

    def _count(self):
        self._read(_NUMBER, self._byte)
        return self._byte[0]

    def _read(self, register, buffer):
        try:
            self._i2c.readfrom_mem_into(_ADDRESS, register, buffer)
        except OSError as error:
            raise ConverterError("counter: no answer on I2C at 0x51: check power, SDA, SCL") from error
