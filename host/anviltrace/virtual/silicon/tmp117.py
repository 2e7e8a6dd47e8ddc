"""The TMP117, as its data sheet (TI SNOS D82) has it, from memory: registers, reset values, conversions.

A value is the mean over its conversions of 15.5 ms each; then the chip waits for the end of its cycle. The
clock is this model's own: faster than nominal by a hundredth.
"""

import clock
import sense
from i2cchip import I2cChip
from scale import rounded

TEMPERATURE, CONFIG, HIGH_LIMIT, LOW_LIMIT, DEVICE = 0, 1, 2, 3, 0x0F
RESET_CONFIG = 0x0220
_NOT_YET = 0x8000
_WRITABLE = 0x0FFE
_READY = 0x2000
_SOFT_RESET = 0x0002
_CONVERSION_PS = 15_500 * clock.US * 99 // 100
_CONVERSIONS = (1, 8, 32, 64)
_CYCLES_MS = (0, 125, 250, 500, 1000, 4000, 8000, 16000)
_STANDBY_PS = 1 * clock.MS  # what is left of a cycle that is as short as it can be
_RESET_PS = 2 * clock.MS


def wire(entry, _outputs, _inputs, buses, _spi):
    """The chip on the bus of the entry."""
    chip = Tmp117(entry.get("address", 0x48))
    buses.setdefault(entry["i2c"], {})[chip.address] = chip
    return chip


class Tmp117(I2cChip):
    """A thermometer on the transducer."""

    def acknowledges(self):
        """Whether the chip answers to its address; while it resets it does not."""
        return not self.silent and clock.now_ps >= self._up_ps

    def reset(self):
        """As after power-up: a value a second, the mean of 8."""
        self.limits = {HIGH_LIMIT: 0x6000, LOW_LIMIT: 0x8000}
        self._temperature = _NOT_YET
        self._up_ps = clock.now_ps + _RESET_PS
        self._configure(RESET_CONFIG)

    def value(self, register):
        """What a register reads; the flag of a new value is gone once that or the flag was read."""
        if register == DEVICE:
            return 0x0117
        if register == TEMPERATURE:
            self._ready = False
            return self._temperature
        if register == CONFIG:
            flag = _READY if self._ready else 0
            self._ready = False
            return self._config | flag
        return self.limits.get(register, 0)

    def store(self, register, value):
        """Write a register."""
        if register == CONFIG and value & _SOFT_RESET:
            self.reset()
        elif register == CONFIG:
            self._configure(value)
        elif register in self.limits:
            self.limits[register] = value
        else:
            self.refused += 1

    def go_on(self):
        """A value that is complete replaces the one before."""
        passed_ps = min(clock.now_ps, self.stopped_ps) - self._begun_ps - self._active_ps
        done = passed_ps // self._cycle_ps + 1 if passed_ps >= 0 else 0
        if done == self._done:
            return
        self._done = done
        self._ready = True
        end_ps = self._begun_ps + (done - 1) * self._cycle_ps + self._active_ps
        micro_c = sense.means(sense.TEMPERATURE, 1, 1, end_ps, self._active_ps, self._active_ps)[0]
        self._temperature = rounded(micro_c * 2, 15_625) & 0xFFFF

    def _configure(self, value):
        self._config = value & _WRITABLE
        self._ready = False
        self._done = 0
        self._begun_ps = clock.now_ps
        self._active_ps = _CONVERSIONS[value >> 5 & 3] * _CONVERSION_PS
        cycle_ps = _CYCLES_MS[value >> 7 & 7] * clock.MS * 99 // 100
        self._cycle_ps = max(cycle_ps, self._active_ps + (_STANDBY_PS if value >> 5 & 3 else 0))
