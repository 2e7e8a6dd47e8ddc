"""MicroPython's ``micropython`` for CPython: nothing is compiled, nothing can be locked.

The types that viper code names for its pointers become names of CPython, too.
"""

import builtins

for _name in ("ptr8", "ptr16", "ptr32", "uint"):
    setattr(builtins, _name, int)


def native(function):
    """As it is."""
    return function


viper = native


def const(value):
    """As it is."""
    return value


def kbd_intr(_character):
    """CPython never takes a byte of a pipe for Ctrl-C."""


def heap_lock():
    """CPython's heap is always open."""


def heap_unlock():
    """How often it is still locked: never."""
    return 0
