"""TMP117: temperature at the transducer over I2C, 16 bits of 7.8125 m°C, 8 a second.

Source: TI data sheet SNOS D82 (from memory: registers, reset values, conversion times, accuracy). A value is
the mean of 8 conversions of 15.5 ms; the chip waits until 125 ms have passed.
"""

from time import sleep_ms

from sensors import channel
from sensors.polled import Polled
from sensors.registers import Registers

_TEMPERATURE = 0x00
_CONFIG = 0x01
_DEVICE = 0x0F

_DEVICE_ID = 0x0117
_ID_MASK = 0x0FFF  # above lies the revision
_SOFT_RESET = 0x0002
_RESET_CONFIG = 0x0220
_SETTINGS_MASK = 0x0FFC
_READY = 0x2000
_AVERAGES_8 = 1 << 5
_WANTED = _AVERAGES_8  # continuous, the shortest cycle

_PERIOD_US = 125_000
_CONVERTING_NS = 124_000_000
_WITHIN_NS = 12_000_000  # half of what a clock off by a fifth makes (assumed)
_RESET_MS = 3


class Sensor(Polled):
    """The chip on the pins ``i2c`` (a bus number), ``scl`` and ``sda``; perhaps at another ``address``."""

    name = "tmp117"
    rate_mhz = 8_000
    value_registers = (_TEMPERATURE,)

    def __init__(self, entry):
        super().__init__(self.name, Registers(self.name, entry, 0x48), _PERIOD_US)
        self.channels = (
            channel(
                "transducer temperature",
                "\u00b0C",
                7_812_500,
                (-32768, 32767),  # -256 is what it shows before the first conversion
                delay_ns=_CONVERTING_NS // 2,
                delay_within_ns=_WITHIN_NS,
                within_zero_nano=100_000_000,
            ),
        )

    def probe(self):
        """Reset the chip: its number and its configuration must be what the data sheet says."""
        self.registers.expect(_DEVICE, _DEVICE_ID, _ID_MASK, "as its number")
        self.registers.set(_CONFIG, _SOFT_RESET)
        sleep_ms(_RESET_MS)
        self.registers.expect(_CONFIG, _RESET_CONFIG, _SETTINGS_MASK, "after reset")

    def configure(self):
        """Convert for ever; return the configuration as read back."""
        self.registers.set(_CONFIG, _WANTED)
        self.check()
        return _WANTED.to_bytes(2, "big")

    def restart(self):
        """Writing the configuration begins a new conversion."""
        self.registers.set(_CONFIG, _WANTED)
        self.registers.load(_TEMPERATURE)  # forget an old one

    def is_ready(self):
        """The flag is gone once it was read."""
        return self.registers.load(_CONFIG)[0] & (_READY >> 8) != 0

    def check(self):
        """The configuration is as it was set."""
        self.registers.expect(_CONFIG, _WANTED, _SETTINGS_MASK, "as set")
