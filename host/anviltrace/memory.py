"""Memory that is used over and over: who works out many runs needs the same megabytes for each."""

from __future__ import annotations

import ctypes
import sys

_TRIM_THRESHOLD, _MMAP_THRESHOLD = -1, -3
"""Parameters of glibc's mallopt(3)."""
_LARGEST_KEPT, _MOST_KEPT = 32 * 2**20, 256 * 2**20
"""Bytes. A run of 10 s at 30 kS/s takes arrays of up to 2.4 MB."""


def keep_memory() -> bool:
    """Have this process keep what it frees; whether its C library can (glibc does).

    Otherwise a few megabytes go back to the system after every run, and getting them anew costs about a
    fifteenth of the time of an analysis.
    """
    if not sys.platform.startswith("linux"):
        return False
    mallopt = getattr(ctypes.CDLL(None), "mallopt", None)
    if mallopt is None:
        return False
    return bool(mallopt(_MMAP_THRESHOLD, _LARGEST_KEPT) and mallopt(_TRIM_THRESHOLD, _MOST_KEPT))
