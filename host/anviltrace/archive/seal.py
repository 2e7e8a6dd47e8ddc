"""The seal of a closed run: one sha256 that any program can work out again from the archive.

The hash runs over, in this order:

1. every stored count, in index order, as a 32-bit little-endian two's complement integer;
2. for every gap, in index order, one line of ASCII: ``first_index count cause uncertainty`` with single
   spaces between the values, integers in decimal, ended by a line feed (0x0A).

The seal is written as 64 lower-case hexadecimal digits. How the run was cut into chunks and how they were
packed does not enter, so a later codec leaves seals as they are.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterable

import numpy as np

from anviltrace.archive.codec import Counts
from anviltrace.records import Gap


class Sealer:
    """Builds the seal while the run is being recorded: counts as they come, gaps at the end."""

    def __init__(self) -> None:
        self._hash = hashlib.sha256()

    def add(self, counts: Counts) -> None:
        """Take the next counts (int32, shape (n,)) in index order."""
        self._hash.update(np.ascontiguousarray(counts, "<i4").data)

    def seal(self, gaps: Iterable[Gap]) -> str:
        """The seal of the counts so far and ``gaps`` (in any order)."""
        whole = self._hash.copy()
        for gap in sorted(gaps, key=lambda gap: gap.first_index):
            whole.update(f"{gap.first_index} {gap.count} {gap.cause} {gap.uncertainty}\n".encode("ascii"))
        return whole.hexdigest()


def seal_of(pieces: Iterable[Counts], gaps: Iterable[Gap]) -> str:
    """The seal of ``pieces`` (int32 arrays in index order) and ``gaps``."""
    sealer = Sealer()
    for piece in pieces:
        sealer.add(piece)
    return sealer.seal(gaps)
