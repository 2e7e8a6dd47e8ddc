"""A sensor with registers of 16 bits that converts by itself and is asked whether it is done."""

from time import ticks_us

from sensors import Pace

TYPE_CHECKING = False
if TYPE_CHECKING:
    from sensors.registers import Registers


class Polled:
    """Takes a sample, a value from each of ``value_registers``, whenever one is ready.

    ``registers`` are the chip's.
    """

    value_registers: "tuple[int, ...]" = ()

    def __init__(self, name, registers: "Registers", period_us):
        self.registers = registers
        self._pace = Pace(name, period_us)

    def restart(self):
        """Begin a new sample, and forget an old one."""
        raise NotImplementedError

    def is_ready(self):
        """Whether a sample is complete that was not reported yet."""
        raise NotImplementedError

    def check(self):
        """Raise SensorError unless the chip has its settings still."""
        raise NotImplementedError

    def start(self, now):
        """The first sample of the run begins now."""
        self.restart()
        self._pace.start(now)

    def collect(self, side):
        """Take a sample if one is ready; see the contract in ``sensors``."""
        pace = self._pace
        tick = ticks_us()
        if not pace.is_near(tick):
            return
        if not self.is_ready():
            pace.not_yet(tick)
            return
        late = pace.found(side, tick)
        for register in self.value_registers:
            side.add(self.registers.get_signed(register))
        side.close_sample(tick, late)

    def stop(self):
        """Leave it converting; read the settings back."""
        self.check()
