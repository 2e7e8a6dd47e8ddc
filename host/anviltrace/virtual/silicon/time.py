"""MicroPython's ``time`` on virtual time; ``utime`` stays the real one."""

import clock
from clock import ticks_ms, ticks_us  # noqa: F401

_PERIOD = 1 << 30


def ticks_add(ticks, delta):
    """``ticks`` and ``delta`` later, wrapping."""
    return (ticks + delta) & (_PERIOD - 1)


def ticks_diff(end, start):
    """From ``start`` to ``end``; right as long as they are less than 2^29 apart."""
    return ((end - start + (_PERIOD >> 1)) & (_PERIOD - 1)) - (_PERIOD >> 1)


def sleep_us(duration_us):
    """Wait so many microseconds."""
    clock.sleep_ps(duration_us * 1_000_000)


def sleep_ms(duration_ms):
    """Wait so many milliseconds."""
    clock.sleep_ps(duration_ms * 1_000_000_000)


def sleep(duration_s):
    """Wait so many seconds."""
    clock.sleep_ps(int(duration_s * 1_000_000) * 1_000_000)
