"""CPython's ``select``, as MicroPython's built-in module offers it."""

import select

POLLIN = 1
POLLOUT = 4
POLLERR = 8
POLLHUP = 16


class poll:  # noqa: N801  (MicroPython's name)
    """Watches one stream, which is enough here."""

    def __init__(self):
        self._poll = select.poll()
        self._watched = None

    def register(self, watched, events):
        """Watch ``watched`` for ``events``."""
        self._watched = watched
        self._poll.register(watched.fileno(), events)

    def ipoll(self, limit_ms):
        """The stream and its events, if there are any within ``limit_ms``."""
        return [(self._watched, events) for _, events in self._poll.poll(limit_ms)]
