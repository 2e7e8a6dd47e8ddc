"""The real clock, as MicroPython's ``utime`` offers it."""

from time import monotonic_ns, sleep


def ticks_us():
    """Microseconds of a clock that never goes back."""
    return monotonic_ns() // 1000


def sleep_us(duration_us):
    """Wait so many microseconds."""
    sleep(duration_us / 1_000_000)
