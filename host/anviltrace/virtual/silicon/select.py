"""MicroPython's ``select`` for stand-in streams; ``uselect`` stays the real one.

The real one works with them too, but on a computer it sleeps a millisecond at each poll. Nothing here
allocates after ``register``.
"""

import micropython

import clock

POLLIN = 1
POLLOUT = 4
POLLERR = 8
POLLHUP = 16
_POLL = 3
_NOTHING = ()


class poll:  # noqa: N801  (MicroPython's name)
    """Watches one stream that has an ``ioctl``."""

    def register(self, watched, events):
        """Watch ``watched`` for ``events``."""
        self._events = events
        self._entry = [watched, 0]
        self._found = [self._entry]

    @micropython.native
    def ipoll(self, limit_ms=0):
        """The stream and its events, if there are any within ``limit_ms``."""
        watched = self._entry[0]
        events = watched.ioctl(_POLL, self._events)
        while not events and limit_ms > 0:
            clock.sleep_ps(clock.MS)
            limit_ms -= 1
            events = watched.ioctl(_POLL, self._events)
        if not events:
            return _NOTHING
        self._entry[1] = events
        return self._found
