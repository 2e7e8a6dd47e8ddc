"""Memory that is kept is not given to a process anew."""

from __future__ import annotations

import platform
import resource
import subprocess
import sys

import pytest

FAULTS = """
import resource
import numpy as np
from anviltrace.memory import keep_memory

def faults():
    before = resource.getrusage(resource.RUSAGE_SELF).ru_minflt
    for _ in range(50):
        several = [np.ones(300_000) for _ in range(8)]
        del several
    return resource.getrusage(resource.RUSAGE_SELF).ru_minflt - before

given_back, kept = faults(), keep_memory()
print(given_back, kept, faults())
"""


@pytest.mark.skipif(platform.libc_ver()[0] != "glibc", reason="only glibc can be told to keep memory")
def test_arrays_are_made_in_memory_that_was_used_before():
    done = subprocess.run([sys.executable, "-c", FAULTS], capture_output=True, text=True, check=True)
    given_back, kept, afterwards = done.stdout.split()
    assert kept == "True"
    pages = 8 * 300_000 * 8 // resource.getpagesize()
    assert int(given_back) > 10 * pages
    assert int(afterwards) < 2 * pages
