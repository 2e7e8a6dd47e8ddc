"""Lets a fake allocate while the device script may not.

The allocation test locks the heap for as long as the board streams. Real hardware needs no heap, the
fakes do: the slow ones open it on entry and lock it as often again before they return or call a handler.
"""

import micropython


def unlock():
    """Open the heap however often it is locked; return what :func:`relock` needs."""
    depth = 0
    micropython.heap_lock()
    while micropython.heap_unlock():
        depth += 1
    return depth


def relock(depth):
    """Lock the heap ``depth`` times."""
    for _ in range(depth):
        micropython.heap_lock()
