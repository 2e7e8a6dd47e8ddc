"""The seal, worked out a second time from its description alone."""

from __future__ import annotations

import hashlib
import struct

import numpy as np
from workshop import fixed_id

from anviltrace.archive.seal import seal_of
from anviltrace.records import Gap, GapCause

RUN = fixed_id(9)
GAPS = [Gap(RUN, 3, 5, GapCause.LINK), Gap(RUN, 10, 2, GapCause.CONVERTER, uncertainty=1)]


def test_seal_is_the_sha256_its_description_gives():
    counts = [1, -2, 2**31 - 1, -(2**31), 0]
    text = struct.pack("<5i", *counts) + b"3 5 link 0\n10 2 converter 1\n"
    assert seal_of([np.array(counts, np.int32)], GAPS) == hashlib.sha256(text).hexdigest()


def test_cutting_into_chunks_and_order_of_gaps_do_not_matter():
    counts = np.arange(100, dtype=np.int32)
    assert seal_of([counts[:7], counts[7:]], GAPS[::-1]) == seal_of([counts], GAPS)


def test_a_changed_count_or_gap_changes_the_seal():
    counts = np.arange(100, dtype=np.int32)
    changed = counts.copy()
    changed[50] += 1
    seals = {seal_of([counts], GAPS), seal_of([changed], GAPS), seal_of([counts], GAPS[:1]), seal_of([], [])}
    assert len(seals) == 4
