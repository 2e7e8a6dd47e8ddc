"""What simulated chips with registers of 16 bits over I2C have in common."""

import clock
import heap


class I2cChip:
    """A chip at ``address`` that a subclass describes by its registers; most significant byte first."""

    def __init__(self, address):
        self.address = address
        self.refused = 0  # writes to registers that cannot be written
        self.silent = False
        self.stopped_ps = clock.FAR
        self.reset()

    # the bus

    def acknowledges(self):
        """Whether the chip answers to its address."""
        return not self.silent

    def read(self, register, buffer, byte_ps):
        """Read a register."""
        depth = heap.unlock()
        self.go_on()
        value = self.value(register)
        heap.relock(depth)
        buffer[0] = value >> 8
        buffer[1] = value & 255
        clock.spend(len(buffer) * byte_ps)

    def write(self, register, data, byte_ps):
        """Write a register."""
        clock.spend(len(data) * byte_ps)
        depth = heap.unlock()
        self.store(register, data[0] << 8 | data[1])
        heap.relock(depth)

    def freeze(self):
        """No conversion completes from now on."""
        self.go_on()
        self.stopped_ps = clock.now_ps

    # what a subclass says

    def reset(self):
        """As after power-up."""
        raise NotImplementedError

    def go_on(self):
        """Complete the conversions that ended since; none after ``stopped_ps``."""
        raise NotImplementedError

    def value(self, register):
        """What a register reads."""
        raise NotImplementedError

    def store(self, register, value):
        """Write a register, if it can be written."""
        raise NotImplementedError
