"""The counter chip: register 0 is the number of its latest reading, 1 to 3 are the reading."""

import clock
import faults
import front
import heap


def wire(_settings, _outputs, _inputs):
    """The chip on its bus."""
    return Counter()


class Counter:
    """The chip: it counts from power-up on."""

    address = 0x51
    special = True

    def __init__(self):
        self._seen_ps = -clock.FAR
        self._missing = 0
        self._aligned = False
        clock.attach(self)
        clock.period_ps = front.period_ps
        clock.next_ps = clock.now_ps + front.period_ps

    def driven(self):
        """A driver talked to the chip not long ago."""
        return clock.now_ps - self._seen_ps < 10 * clock.MS

    def passed(self, _count):
        """A reading is complete, unless it is to get lost."""
        self._missing = max(0, self._missing - 1)
        return self._missing == 0

    def acknowledges(self):
        """It always answers."""
        self._seen_ps = clock.now_ps
        return True

    def read(self, register, buffer, byte_ps):
        """Bytes from ``register`` on."""
        if self._missing:
            clock.run_to(clock.now_ps + self._missing * clock.period_ps)
        if register == 0:
            buffer[0] = clock.ready & 255
            clock.spend(byte_ps)
            return
        depth = heap.unlock()
        code = self._value() & 0xFFFFFF
        heap.relock(depth)
        for i in range(len(buffer)):
            buffer[i] = code >> (16 - 8 * i) & 255
            clock.spend(byte_ps)

    def _value(self):
        if not self._aligned:
            self._aligned = True
            self._origin = clock.ready - front.align(clock.now_ps)
        number = clock.ready - self._origin
        if not front.first <= number < front.first + front.count:
            front.load(number, front.batch)
        if front.fault:
            fault, argument = front.take_fault()
            if fault == faults.MISSED_READY:
                self._missing = argument
        return front.values[number - front.first]
