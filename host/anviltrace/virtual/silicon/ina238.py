"""The INA238, as its data sheet (TI SBOSA20) has it, from memory: registers, reset values, conversions."""

from powerchip import PowerChip, signed16
from scale import rounded

CONFIG, ADC_CONFIG, SHUNT_CAL, SHUNT, BUS, DIE_TEMPERATURE, ALERTS = 0, 1, 2, 4, 5, 6, 0x0B
MAKER, DEVICE = 0x3E, 0x3F
RESET_ADC_CONFIG = 0xFB68
_WRITABLE = (CONFIG, ADC_CONFIG, SHUNT_CAL, ALERTS)
_RESET = 0x8000
_FINE_RANGE = 0x0010
_READY = 0x0002
_MEMORY_GOOD = 0x0001
TIMES_US = (50, 84, 150, 280, 540, 1052, 2074, 4120)
AVERAGES = (1, 4, 16, 64, 128, 256, 512, 1024)
_SHUNT_AND_BUS = 0xB
_ALL = 0xF  # and the die's temperature, as after reset


def wire(entry, _outputs, _inputs, buses, _spi):
    """The chip on the bus of the entry."""
    chip = Ina238(entry.get("address", 0x40), entry["shunt_uohm"])
    buses.setdefault(entry["i2c"], {})[chip.address] = chip
    return chip


class Ina238(PowerChip):
    """Bus voltage in steps of 3.125 mV, shunt voltage in steps of 5 or 1.25 uV."""

    def reset(self):
        """Converting everything, 1052 us each, without averaging."""
        self.registers = {CONFIG: 0, SHUNT_CAL: 0x1000, ALERTS: _MEMORY_GOOD}
        self._configure(RESET_ADC_CONFIG)

    def value(self, register):
        """What a register reads; the flag of a finished round is gone once the alerts were read."""
        if register == MAKER:
            return 0x5449
        if register == DEVICE:
            return 0x2381
        if register == SHUNT:
            step_pv = 1_250_000 if self.registers[CONFIG] & _FINE_RANGE else 5_000_000
            return signed16(rounded(self.shunt_pv(), step_pv))
        if register == BUS:
            return min(max(rounded(self.volts_uv(), 3125), 0), 0x7FFF)
        if register == ALERTS:
            flag = _READY if self.ready else 0
            self.ready = False
            return self.registers[ALERTS] & ~_READY | flag
        return self.registers.get(register, 0)

    def store(self, register, value):
        """Write a register."""
        if register not in _WRITABLE:
            self.refused += 1
        elif register == ADC_CONFIG:
            self._configure(value)
        elif register == CONFIG and value & _RESET:
            self.reset()
        else:
            self.registers[register] = value

    def _configure(self, value):
        self.registers[ADC_CONFIG] = value
        averages, bus_us, shunt_us = AVERAGES[value & 7], TIMES_US[value >> 9 & 7], TIMES_US[value >> 6 & 7]
        if value >> 12 == _SHUNT_AND_BUS:
            self.begin(averages, shunt_us, bus_us)
        elif value >> 12 == _ALL:
            self.begin(averages, shunt_us, bus_us + TIMES_US[value >> 3 & 7])
        else:
            self.begin(None, 0, 0)  # of the other modes none is modelled
