"""MicroPython's ``uctypes`` for CPython: where a buffer lies, and what lies at an address."""

import ctypes


def addressof(buffer):
    """The address of a writable buffer."""
    return ctypes.addressof(ctypes.c_char.from_buffer(buffer))


def bytearray_at(address, size):
    """``size`` bytes from ``address`` on, to read and to write."""
    return memoryview((ctypes.c_ubyte * size).from_address(address)).cast("B")
