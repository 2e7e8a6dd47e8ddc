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


_OF_WORKERS = {
    **dict.fromkeys(NAMES, "1"),
    "MALLOC_MMAP_THRESHOLD_": str(32 * 2**20),
    "MALLOC_TRIM_THRESHOLD_": str(256 * 2**20),
}
"""Memory used once is kept, too (glibc; others do not look): a worker needs the same megabytes for every run,
and to be given them anew each time costs it an eighth of its time."""


@contextmanager
def environment_of_workers() -> Iterator[None]:
    """Processes begun meanwhile have one thread each, and keep the memory they used."""
    before = {name: os.environ.get(name) for name in _OF_WORKERS}
    os.environ.update(_OF_WORKERS)
    try:
        yield
    finally:
        for name, value in before.items():
            if value is None:
                os.environ.pop(name, None)
            else:
                os.environ[name] = value
