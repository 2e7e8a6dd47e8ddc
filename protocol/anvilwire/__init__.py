"""The wire format of anviltrace, in the Python that CPython and MicroPython share.

SPEC.md beside this package describes the bytes. Nothing here knows a port, a clock or NumPy.
"""
