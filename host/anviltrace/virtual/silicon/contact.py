"""A contact between a pin and ground that the trigger closes. It bounces as the bench has it."""

import clock
import heap
import sense


def wire(entry, _outputs, inputs, _i2c, _spi):
    """The contact on the pin of the entry."""
    chip = Contact()
    inputs[entry["pin"]] = chip.level
    return chip


class Contact:
    """What the pin reads."""

    def __init__(self):
        self.silent = False

    def level(self):
        """0 while the contact is closed. A wire that is off leaves the pin high."""
        depth = heap.unlock()
        closed = 0 if self.silent else sense.means(sense.CONTACT, 1, 1, clock.now_ps, 0, 0)[0]
        heap.relock(depth)
        return 1 - closed

    def freeze(self):
        """A wire that is off."""
        self.silent = True
