"""TMP117: temperature at the transducer over I2C, 16 bits of 7.8125 m°C, 8 a second.

Source: TI data sheet SNOS D82 (from memory: registers, reset values, conversion times, accuracy). A value is
the mean of 8 conversions of 15.5 ms; the chip waits until 125 ms have passed.
"""

from time import sleep_ms, ticks_us

from sensors import Pace, channel
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


class Sensor:
    """The chip on the pins ``i2c`` (a bus number), ``scl`` and ``sda``; perhaps at another ``address``."""

    name = "tmp117"
    rate_mhz = 8_000

    def __init__(self, entry):
        self.registers = Registers(self.name, entry, 0x48)
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
        self._pace = Pace(self.name, _PERIOD_US)

    def probe(self):
        """Reset the chip: its number and its configuration must be what the data sheet says."""
        self.registers.expect(_DEVICE, _DEVICE_ID, _ID_MASK, "as its number")
        self.registers.set(_CONFIG, _SOFT_RESET)
        sleep_ms(_RESET_MS)
        self.registers.expect(_CONFIG, _RESET_CONFIG, _SETTINGS_MASK, "after reset")

    def configure(self):
        """Convert for ever; return the configuration as read back."""
        self.registers.set(_CONFIG, _WANTED)
        self.registers.expect(_CONFIG, _WANTED, _SETTINGS_MASK, "as set")
        return _WANTED.to_bytes(2, "big")

    def start(self, now):
        """Writing the configuration begins a new conversion."""
        self.registers.set(_CONFIG, _WANTED)
        self.registers.load(_TEMPERATURE)  # forget an old one
        self._pace.start(now)

    def collect(self, side):
        """Take a temperature if one is ready; see the contract in ``sensors``."""
        pace = self._pace
        tick = ticks_us()
        if not pace.is_near(tick):
            return
        if self.registers.load(_CONFIG)[0] & (_READY >> 8) == 0:
            pace.not_yet(tick)
            return
        late = pace.found(side, tick)
        side.add(self.registers.get_signed(_TEMPERATURE))
        side.close_sample(tick, late)

    def stop(self):
        """Leave it converting; read the settings back."""
        self.registers.expect(_CONFIG, _WANTED, _SETTINGS_MASK, "as set")
