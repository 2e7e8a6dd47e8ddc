"""INA238: voltage up to 85 V, current by a shunt, over I2C.

Source: TI data sheet SBOSA20 (from memory: registers, reset values, conversion times, the flag of a finished
round, accuracy). 540 us for each conversion, 4 averages: 231 rounds a second. ``"shunt_range": 1`` in the
settings takes the finer range of ±40.96 mV in place of ±163.84 mV.
"""

from sensors.powermonitor import PowerMonitor

_CONFIG = 0x00
_ADC_CONFIG = 0x01
_SHUNT = 0x04
_BUS = 0x05
_ALERTS = 0x0B
_MAKER = 0x3E
_DEVICE = 0x3F

_RESET = 0x8000
_RESET_ADC_CONFIG = 0xFB68
_MAKER_ID = 0x5449
_DEVICE_ID = 0x2380
_READY = 0x02
_FINE_RANGE = 0x0010
_SHUNT_AND_BUS = 0xB
_CONVERSION_540_US = 4
_AVERAGES_4 = 1
_WANTED = _SHUNT_AND_BUS << 12 | _CONVERSION_540_US << 9 | _CONVERSION_540_US << 6 | _AVERAGES_4


class Sensor(PowerMonitor):
    """The chip, with the pack's plus at its bus input and the shunt in the plus lead."""

    name = "ina238"
    conversion_us = 540
    averages = 4
    shunt_lsb_nv = 5_000
    volts_lsb_nv = 3_125_000
    volts_highest = 27_200  # 85 V
    gain_within_ppm = 1_000
    volts_within_nv = 5_000_000
    shunt_within_nv = 5_000
    value_registers = (_BUS, _SHUNT)

    def __init__(self, entry):
        self._config = 0
        if entry.get("shunt_range", 0):
            self._config = _FINE_RANGE
            self.shunt_lsb_nv = 1_250
        super().__init__(entry)

    def probe(self):
        """Reset the chip: its numbers and its configuration must be what the data sheet says."""
        self.registers.expect(_MAKER, _MAKER_ID, 0xFFFF, "as its maker's number")
        self.registers.expect(_DEVICE, _DEVICE_ID, 0xFFF0, "as its type")
        self.registers.set(_CONFIG, _RESET)
        self.registers.expect(_CONFIG, 0, 0xFFFF, "after reset")
        self.registers.expect(_ADC_CONFIG, _RESET_ADC_CONFIG, 0xFFFF, "after reset")

    def configure(self):
        """Shunt and bus voltage in turn, for ever; return both configurations as read back."""
        self.registers.set(_CONFIG, self._config)
        self.registers.set(_ADC_CONFIG, _WANTED)
        self.check()
        return self._config.to_bytes(2, "big") + _WANTED.to_bytes(2, "big")

    def restart(self):
        """Writing the configuration begins a new round; reading the alerts forgets an old one."""
        self.registers.set(_ADC_CONFIG, _WANTED)
        self.registers.load(_ALERTS)

    def is_ready(self):
        """The flag is gone once it was read."""
        return self.registers.load(_ALERTS)[1] & _READY != 0

    def check(self):
        """Both configurations are as they were set."""
        self.registers.expect(_CONFIG, self._config, 0xFFFF, "as set")
        self.registers.expect(_ADC_CONFIG, _WANTED, 0xFFFF, "as set")
