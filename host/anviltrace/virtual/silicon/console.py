"""The real streams beneath the simulated serial line: this process's own stdin and stdout."""

import sys

import micropython
import uselect as select

_in = sys.stdin.buffer
_out = sys.stdout.buffer
_one = bytearray(1)

_readable = select.poll()
_readable.register(sys.stdin, select.POLLIN)
_writable = select.poll()
_writable.register(sys.stdout, select.POLLOUT)


@micropython.native
def wait(limit_ms):
    """Wait until the host sent something or hung up; return poll's events, 0 when the time is over."""
    for _, events in _readable.ipoll(limit_ms):
        return events
    return 0


def read_byte():
    """The next byte from the host, or -1 when it hung up. Waits for it: ask :func:`wait` first."""
    if _in.readinto(_one):
        return _one[0]
    return -1


def wait_for_room(limit_ms):
    """Whether the host's pipe takes bytes, at least 256 of them, within ``limit_ms``."""
    for _, events in _writable.ipoll(limit_ms):
        return bool(events & select.POLLOUT)
    return False


def write(buffer, offset, count):
    """Give the host ``buffer[offset:offset + count]``."""
    return _out.write(buffer, offset, count)


def power_off(text):
    """Say ``text`` on the serial line and end this process, whatever the script would like to catch."""
    if text:
        print("\r\n" + text + "\r")
    try:
        from os import _exit
    except ImportError:
        import os

        os.system("kill -9 $PPID")
    _exit(1)
