"""Registers of 16 bits over I2C, most significant byte first: thermometers and power monitors have them."""

from machine import I2C, Pin
from sensors import SensorError

_I2C_HZ = 400_000
_TRIES = 3


class Registers:
    """The registers of the chip called ``name`` on the bus of ``entry``, which other chips may share."""

    def __init__(self, name, entry, usual_address):
        self._name = name
        self.address = entry.get("address", usual_address)
        self._i2c = I2C(entry["i2c"], scl=Pin(entry["scl"]), sda=Pin(entry["sda"]), freq=_I2C_HZ)
        self._two = bytearray(2)

    def load(self, register):
        """Read a register into ``high`` and ``low``; a transfer that nobody acknowledges is tried again."""
        for _ in range(_TRIES):
            try:
                self._i2c.readfrom_mem_into(self.address, register, self._two)
                return self._two
            except OSError:
                pass
        raise self._no_answer()

    def get(self, register):
        """Read a register as an unsigned number."""
        two = self.load(register)
        return two[0] << 8 | two[1]

    def get_signed(self, register):
        """Read a register as two's complement."""
        value = self.get(register)
        return value - 0x10000 if value & 0x8000 else value

    def set(self, register, value):
        """Write a register."""
        self._two[0] = value >> 8
        self._two[1] = value & 255
        for _ in range(_TRIES):
            try:
                self._i2c.writeto_mem(self.address, register, self._two)
                return
            except OSError:
                pass
        raise self._no_answer()

    def expect(self, register, value, mask, when):
        """Raise SensorError unless a register reads ``value`` where ``mask`` has ones."""
        found = self.get(register)
        if (found ^ value) & mask:
            raise SensorError(
                "%s: register 0x%02x reads 0x%04x, not 0x%04x %s: reset, or another chip at 0x%02x"
                % (self._name, register, found, value, when, self.address)
            )

    def _no_answer(self):
        return SensorError(
            "%s: no answer on I2C at 0x%02x: check power, SDA and SCL" % (self._name, self.address)
        )
