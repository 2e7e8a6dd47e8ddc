"""What power monitors on I2C have in common: voltage at the pack, current through a shunt, both averaged.

A chip converts shunt and bus voltage in turn, several times over, and shows the means together. The means
of the two are half a turn apart, which their delays say.
"""

from sensors import channel
from sensors.polled import Polled
from sensors.registers import Registers

_VOLTS = "supply voltage"
_AMPERES = "supply current"
_SHUNT_LIMITS_UOHM = (10, 100_000_000)
_CLOCK_PPM = 100_000  # conversion times are off by a tenth at most


class PowerMonitor(Polled):
    """A chip that a subclass describes by its registers.

    ``entry`` has ``i2c``, ``scl``, ``sda``, ``shunt_uohm``; perhaps ``address`` and ``shunt_within_ppm``.
    """

    name = ""
    usual_address = 0x40
    conversion_us = 0  # of one shunt or one bus voltage
    averages = 0
    shunt_lsb_nv = 0
    volts_lsb_nv = 0
    volts_highest = 0  # code of the highest voltage the chip is made for
    gain_within_ppm = 0
    volts_within_nv = 0
    shunt_within_nv = 0

    def __init__(self, entry):
        shunt_uohm = entry["shunt_uohm"]
        if not _SHUNT_LIMITS_UOHM[0] <= shunt_uohm <= _SHUNT_LIMITS_UOHM[1]:
            raise ValueError("shunt_uohm = %d is no shunt" % shunt_uohm)
        period_us = 2 * self.conversion_us * self.averages
        super().__init__(self.name, Registers(self.name, entry, self.usual_address), period_us)
        self.rate_mhz = 1_000_000_000 // period_us
        half_ns = 500 * period_us
        apart_ns = 500 * self.conversion_us
        within_ns = half_ns // (1_000_000 // _CLOCK_PPM)
        self.channels = (
            channel(
                _VOLTS,
                "V",
                self.volts_lsb_nv,
                (-32768, self.volts_highest),
                delay_ns=half_ns - apart_ns,
                delay_within_ns=within_ns,
                within_ppm=self.gain_within_ppm,
                within_zero_nano=self.volts_within_nv,
            ),
            channel(
                _AMPERES,
                "A",
                self.shunt_lsb_nv * 1_000_000 // shunt_uohm,
                delay_ns=half_ns + apart_ns,
                delay_within_ns=within_ns,
                within_ppm=self.gain_within_ppm + entry.get("shunt_within_ppm", 10_000),
                within_zero_nano=self.shunt_within_nv * 1_000_000 // shunt_uohm,
            ),
        )

    def probe(self):
        """Find the chip by its numbers and reset it."""
        raise NotImplementedError

    def configure(self):
        """Set the chip up; return its registers as read back."""
        raise NotImplementedError
