"""Runs the simulated board under CPython: run.py FOLDERS, then the arguments of power_up.py.

FOLDERS are joined as in PATH. The device files and the fakes run unchanged; here CPython is given what
they expect of MicroPython: module ``micropython``, ``ipoll``, binary streams without
buffering, ``print_exception``, and ``time`` with ticks.
"""

import os
import select
import sys
import time
import traceback
import types


class Console:
    """stdin or stdout: ``buffer`` is the raw stream, printing goes straight out."""

    encoding = "utf-8"

    def __init__(self, number):
        self._number = number
        self.buffer = self

    def fileno(self):
        """The file descriptor."""
        return self._number

    def readinto(self, buffer):
        """Read what there is, at most ``len(buffer)``."""
        data = os.read(self._number, len(buffer))
        buffer[: len(data)] = data
        return len(data)

    def write(self, data, offset=0, count=-1):
        """Write all of ``data``, or ``count`` bytes from ``offset``."""
        if isinstance(data, str):
            data = data.encode()
        left = memoryview(data)[offset : offset + count if count >= 0 else None]
        written = len(left)
        while left:
            left = left[os.write(self._number, left) :]
        return written

    def flush(self):
        """Nothing is held back."""


def print_exception(error, file=None):
    """The traceback on the serial line, or in ``file``."""
    traceback.print_exception(error, file=file or sys.stdout)


def become_micropython(folders):
    """Give the interpreter what MicroPython has."""
    sys.dont_write_bytecode = True
    sys.path[:0] = folders
    sys.stdin = Console(0)
    sys.stdout = Console(1)
    sys.print_exception = print_exception
    import uselect  # noqa: F401
    import utime  # noqa: F401  (while ``select`` and ``time`` are the real ones)

    for real in (select, time):
        name = real.__name__
        sys.modules[name] = _overlaid(real, os.path.join(folders[0], name + ".py"))


def _overlaid(real, path):
    """CPython's module, which its own library needs, with what the fake defines over it."""
    both = types.ModuleType(real.__name__)
    vars(both).update({name: value for name, value in vars(real).items() if not name.startswith("__")})
    with open(path, encoding="utf-8") as file:
        exec(compile(file.read(), path, "exec"), vars(both))
    return both


def main(folders, *arguments):
    """Run the board; end as MicroPython does."""
    become_micropython(folders.split(os.pathsep))
    from power_up import power_up

    power_up(*arguments)


if __name__ == "__main__":
    try:
        main(*sys.argv[1:])
    except Exception as error:
        print_exception(error)
        sys.exit(1)
