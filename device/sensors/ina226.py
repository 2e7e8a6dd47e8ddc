"""INA226: voltage up to 36 V, current by a shunt, over I2C.

Source: TI data sheet SBOS547 (from memory: registers, reset values, conversion times, the flag of a finished
round, accuracy). 588 us for each conversion, 4 averages: 213 rounds a second.
"""

from sensors.powermonitor import PowerMonitor

_CONFIG = 0x00
_SHUNT = 0x01
_BUS = 0x02
_MASK_ENABLE = 0x06
_MAKER = 0xFE
_DIE = 0xFF

_RESET = 0x8000
_RESET_CONFIG = 0x4127
_MAKER_ID = 0x5449
_DIE_ID = 0x2260
_READY = 0x0008
_AVERAGES_4 = 1
_CONVERSION_588_US = 3
_SHUNT_AND_BUS = 7
_WANTED = 0x4000 | _AVERAGES_4 << 9 | _CONVERSION_588_US << 6 | _CONVERSION_588_US << 3 | _SHUNT_AND_BUS


class Sensor(PowerMonitor):
    """The chip, with the pack's plus at its bus input and the shunt in the plus lead."""

    name = "ina226"
    conversion_us = 588
    averages = 4
    shunt_lsb_nv = 2_500
    volts_lsb_nv = 1_250_000
    volts_highest = 28_800  # 36 V
    gain_within_ppm = 1_000
    volts_within_nv = 7_500_000
    shunt_within_nv = 10_000
    value_registers = (_BUS, _SHUNT)

    def probe(self):
        """Reset the chip: its numbers and its configuration must be what the data sheet says."""
        self.registers.expect(_MAKER, _MAKER_ID, 0xFFFF, "as its maker's number")
        self.registers.expect(_DIE, _DIE_ID, 0xFFF0, "as its type")
        self.registers.set(_CONFIG, _RESET)
        self.registers.expect(_CONFIG, _RESET_CONFIG, 0xFFFF, "after reset")

    def configure(self):
        """Shunt and bus voltage in turn, for ever; return the configuration as read back."""
        self.registers.set(_CONFIG, _WANTED)
        self.check()
        return _WANTED.to_bytes(2, "big")

    def restart(self):
        """Writing the configuration begins a new round; reading the mask forgets an old one."""
        self.registers.set(_CONFIG, _WANTED)
        self.registers.load(_MASK_ENABLE)

    def is_ready(self):
        """The flag is gone once it was read."""
        return self.registers.load(_MASK_ENABLE)[1] & _READY != 0

    def check(self):
        """The configuration is as it was set."""
        self.registers.expect(_CONFIG, _WANTED, 0xFFFF, "as set")
