"""What the simulated power monitors have in common: their rounds of conversions.

A round is shunt and bus voltage in turn, as often as is averaged; the results and the flag come at its end.
The clock is this model's own: slower than nominal by ``SLOW``.
"""

import clock
import sense
from i2cchip import I2cChip
from scale import rounded

SLOW = 1.017


class PowerChip(I2cChip):
    """A chip beside a shunt; a subclass describes its registers."""

    def __init__(self, address, shunt_uohm):
        self._shunt_uohm = shunt_uohm
        self.registers = {}
        super().__init__(address)

    # conversions

    def begin(self, averages, shunt_us, bus_us):
        """A new round; None for no conversions at all."""
        self.ready = False
        self._rounds = 0
        self._loaded = 0
        self._volts = 0
        self._amperes = 0
        self._averages = averages
        if averages is None:
            return
        self._shunt_ps = int(shunt_us * SLOW * clock.US)
        self._bus_ps = int(bus_us * SLOW * clock.US)
        self._pair_ps = self._shunt_ps + self._bus_ps
        self._begun_ps = clock.now_ps

    def volts_uv(self):
        """Mean of the bus voltage over the last round, in uV."""
        self._load()
        return self._volts

    def shunt_pv(self):
        """Mean of the shunt voltage over the last round, in pV."""
        self._load()
        return self._amperes * self._shunt_uohm

    def go_on(self):
        """A round that is complete sets the flag."""
        if self._averages is None:
            return
        passed_ps = min(clock.now_ps, self.stopped_ps) - self._begun_ps
        rounds = passed_ps // (self._averages * self._pair_ps)
        if rounds > self._rounds:
            self._rounds = rounds
            self.ready = True

    def _load(self):
        if self._loaded == self._rounds:
            return
        self._loaded = self._rounds
        count = self._averages
        end_ps = self._begun_ps + self._rounds * count * self._pair_ps
        volts = sense.means(sense.VOLTAGE, 1, count, end_ps, self._pair_ps, self._bus_ps)
        amperes = sense.means(sense.CURRENT, 1, count, end_ps - self._bus_ps, self._pair_ps, self._shunt_ps)
        self._volts = rounded(sum(volts), count)
        self._amperes = rounded(sum(amperes), count)


def signed16(code):
    """``code`` within 16 bits, as two's complement in an unsigned number."""
    return min(max(code, -0x8000), 0x7FFF) & 0xFFFF
