"""A sensor that no one makes: its only register counts up a hundred times a second."""

from time import ticks_us

from sensors import Pace, SensorError, channel
from sensors.registers import Registers

_COUNT = 0x00
_NAME = 0x01
_NUMBER = 0x5EED


class Sensor:
    """The chip on the pins ``i2c`` (a bus number), ``scl`` and ``sda``."""

    name = "ramp"
    rate_mhz = 100_000

    def __init__(self, entry):
        self.registers = Registers(self.name, entry, 0x52)
        self.channels = (channel("height", "m", 1_000_000, delay_ns=5_000_000),)
        self._pace = Pace(self.name, 10_000)
        self._count = 0

    def probe(self):
        """Its number must be right."""
        self.registers.expect(_NAME, _NUMBER, 0xFFFF, "as its number")

    def configure(self):
        """There is nothing to set."""
        return b""

    def start(self, now):
        """What it counts from."""
        self._count = self.registers.get(_COUNT)
        self._pace.start(now)

    def collect(self, side):
        """A count that has changed is a new sample."""
        tick = ticks_us()
        if not self._pace.is_near(tick):
            return
        count = self.registers.get(_COUNT)
        if count == self._count:
            self._pace.not_yet(tick)
            return
        self._count = count
        late = self._pace.found(side, tick)
        side.add(count)
        side.close_sample(tick, late)

    def stop(self):
        """It has no settings to lose."""
        if self.registers.get(_NAME) != _NUMBER:
            raise SensorError("ramp: gone")
