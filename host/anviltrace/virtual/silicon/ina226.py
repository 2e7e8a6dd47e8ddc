"""The INA226, as its data sheet (TI SBOS547) has it, from memory: registers, reset values, conversions."""

from powerchip import PowerChip, signed16
from scale import rounded

CONFIG, SHUNT, BUS, POWER, CURRENT, CALIBRATION, MASK_ENABLE, ALERT_LIMIT = range(8)
MAKER, DIE = 0xFE, 0xFF
RESET_CONFIG = 0x4127
_WRITABLE = (CONFIG, CALIBRATION, MASK_ENABLE, ALERT_LIMIT)
_RESET = 0x8000
_ALWAYS = 0x4000
_READY = 0x0008
TIMES_US = (140, 204, 332, 588, 1100, 2116, 4156, 8244)
AVERAGES = (1, 4, 16, 64, 128, 256, 512, 1024)
_SHUNT_AND_BUS = 7


def wire(entry, _outputs, _inputs, buses, _spi):
    """The chip on the bus of the entry."""
    chip = Ina226(entry.get("address", 0x40), entry["shunt_uohm"])
    buses.setdefault(entry["i2c"], {})[chip.address] = chip
    return chip


class Ina226(PowerChip):
    """Bus voltage in steps of 1.25 mV, shunt voltage in steps of 2.5 uV."""

    def reset(self):
        """Converting shunt and bus voltage, 1.1 ms each, without averaging."""
        self.registers = {CALIBRATION: 0, MASK_ENABLE: 0, ALERT_LIMIT: 0}
        self._configure(RESET_CONFIG)

    def value(self, register):
        """What a register reads; the flag of a finished round is gone once the mask was read."""
        if register == MAKER:
            return 0x5449
        if register == DIE:
            return 0x2260
        if register == SHUNT:
            return signed16(rounded(self.shunt_pv(), 2_500_000))
        if register == BUS:
            return min(max(rounded(self.volts_uv(), 1250), 0), 0x7FFF)
        if register == MASK_ENABLE:
            flag = _READY if self.ready else 0
            self.ready = False
            return self.registers[MASK_ENABLE] & ~_READY | flag
        return self.registers.get(register, 0)

    def store(self, register, value):
        """Write a register."""
        if register not in _WRITABLE:
            self.refused += 1
        elif register != CONFIG:
            self.registers[register] = value
        elif value & _RESET:
            self.reset()
        else:
            self._configure(value)

    def _configure(self, value):
        self.registers[CONFIG] = value & 0x0FFF | _ALWAYS
        if value & 7 == _SHUNT_AND_BUS:
            self.begin(AVERAGES[value >> 9 & 7], TIMES_US[value >> 3 & 7], TIMES_US[value >> 6 & 7])
        else:
            self.begin(None, 0, 0)  # of the other modes none is modelled
