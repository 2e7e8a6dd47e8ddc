"""Linear algebra with one thread: matrices here are small, and more threads only wait for each other."""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import contextmanager

NAMES = ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS")
"""What BLAS libraries look up when they are loaded, which numpy does when it is imported."""


def prefer_one_thread() -> None:
    """For this process, unless the user chose otherwise; to be called before anything imports numpy."""
    for name in NAMES:
        os.environ.setdefault(name, "1")


@contextmanager
def environment_of_workers() -> Iterator[None]:
    """Processes begun meanwhile have one thread each."""
    before = {name: os.environ.get(name) for name in NAMES}
    os.environ.update(dict.fromkeys(NAMES, "1"))
    try:
        yield
    finally:
        for name, value in before.items():
            if value is None:
                os.environ.pop(name, None)
            else:
                os.environ[name] = value
