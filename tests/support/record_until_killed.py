"""A recording process that is meant to be killed: ``python record_until_killed.py ARCHIVE NUMBER``.

Writes an empty line when it is ready, and opens the archive when a line comes in. Then writes, after each
append, the index up to which the archive has acknowledged the samples. Never ends by itself.
"""

from __future__ import annotations

import os
import random
import sys

from workshop import counts_at, workshop

from anviltrace.archive import Archive
from anviltrace.records import Gap, GapCause

RATE_HZ = 30_000.0
LONGEST_BLOCK = 4000
GAP_SAMPLES = 17


def record(path: str, number: int) -> None:
    """Record the pretend converter without end, with a gap now and then."""
    chance = random.Random(number)
    shop = workshop(RATE_HZ)
    os.write(1, b"\n")
    os.read(0, 1)
    with Archive.open(path, create=True) as archive:
        shop.put_into(archive)
        recording = archive.begin(shop.run(number))
        while True:
            block = counts_at(recording.next_index, chance.randrange(1, LONGEST_BLOCK))
            recording.append(recording.next_index, block)
            if chance.random() < 0.02:
                recording.gap(Gap(recording.run.id, recording.next_index, GAP_SAMPLES, GapCause.LINK))
            os.write(1, b"%d\n" % recording.acknowledged_index)


if __name__ == "__main__":
    record(sys.argv[1], int(sys.argv[2]))
