"""MicroPython's ``select.poll`` for the stand-in streams, which have no file descriptor.

The real one lets a millisecond pass whenever such a stream has nothing to say; ``uselect`` stays the real
one for what lies beneath.
"""

POLLIN = 1
POLLOUT = 4
POLLERR = 8
POLLHUP = 16

_POLL = 3


class _Poller:
    """Polls one stream, without allocating."""

    def __init__(self):
        self._entry = [None, 0]
        self._events = 0
        self._something = [self._entry]
        self._nothing = []

    def register(self, stream, events):
        """Ask ``stream`` for ``events`` from now on."""
        self._entry[0] = stream
        self._events = events

    def ipoll(self, timeout_ms):
        """The stream and the events that are so now. Waiting is left to the caller: 0 only."""
        if timeout_ms != 0:
            raise ValueError("stand-in streams are polled without waiting")
        found = self._entry[0].ioctl(_POLL, self._events)
        self._entry[1] = found
        return self._something if found else self._nothing


def poll():
    """A poller for stand-in streams."""
    return _Poller()
