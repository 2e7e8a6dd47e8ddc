"""A contact at the trigger: 1 while closed, 200 samples a second by the board's own clock.

The contact lies between the pin and ground; the pin pulls itself up. A change counts at once, and for 20 ms
after it the contact is not looked at: it bounces (common practice: 5 to 20 ms). The main loop looks, and a
change is taken to lie in the middle between two looks; sample number n tells the state after n times 5 ms.
"""

from time import ticks_add, ticks_diff, ticks_us

from machine import Pin
from sensors import channel

TYPE_CHECKING = False
if TYPE_CHECKING:
    from typing import Any

_PERIOD_US = 5_000
_DEAF_US = 20_000
_AT_ONCE = 16  # samples in a pass of the main loop


class Sensor:
    """The contact on ``pin``."""

    name = "contact"
    rate_mhz = 200_000

    def __init__(self, entry):
        self.channels = (channel("trigger", "1", 1_000_000_000),)
        self._pin = Pin(entry["pin"], Pin.IN, Pin.PULL_UP)
        self._closed = 0
        self._changed: "Any" = 0
        self._looked: "Any" = 0
        self._next: "Any" = 0

    def probe(self):
        """A contact has no number: whether one is there shows when it is pressed."""

    def configure(self):
        """Nothing to set."""
        return b""

    def start(self, now):
        """The first sample is due now."""
        self._closed = 1 - self._pin()
        self._changed = ticks_add(now, -_DEAF_US)
        self._looked = now
        self._next = now

    def collect(self, side):
        """Look, and give the samples that are due; see the contract in ``sensors``."""
        tick = ticks_us()
        before = self._closed
        closed = 1 - self._pin()
        if closed != before and ticks_diff(tick, self._changed) >= _DEAF_US:
            self._closed = closed
            self._changed = tick
        gap = ticks_diff(tick, self._looked)
        for _ in range(_AT_ONCE):
            due = self._next
            if ticks_diff(tick, due) < 0:
                break
            late = 2 * ticks_diff(due, self._looked) >= gap
            side.add(self._closed if late else before)
            side.close_sample(ticks_add(due, gap // 2), gap)
            self._next = ticks_add(due, _PERIOD_US)
        self._looked = tick

    def stop(self):
        """Nothing to do."""
