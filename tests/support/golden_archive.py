"""Makes fixtures/archives/schema-N.anviltrace, once per schema version: ``python golden_archive.py TARGET``.

A golden file is never made again: it proves that archives written by a released version stay readable.
"""

from __future__ import annotations

import sys
import tempfile
from pathlib import Path

from workshop import Workshop, counts_at, fixed_id, workshop

from anviltrace.archive import Archive
from anviltrace.records import Decision, Gap, GapCause, Notice, Run, RunKind, Zero

ZERO_RUN, FULL_RUN, CUT_RUN = fixed_id(100), fixed_id(101), fixed_id(102)
ENDED = "2026-05-04T08:15:07.250Z"
ZERO = Zero(fixed_id(110), workshop().session.id, ZERO_RUN, "2026-05-04T08:14:00.000Z", -1204.25, 2.5, 300)
GAPS = [Gap(FULL_RUN, 600, 24, GapCause.LINK), Gap(FULL_RUN, 700, 3, GapCause.CONVERTER, uncertainty=1)]
NOTICE = Notice(FULL_RUN, 640, "text", "brown-out on the rail µ\n", "2026-05-04T08:15:01.000Z")
DECISION = Decision(fixed_id(120), FULL_RUN, "discard", "socket slipped", "2026-05-04T08:16:00.000Z", "T. E.")


def expected_pieces() -> dict[str, list[tuple[int, list[int]]]]:
    """The counts of each run, by index of the first sample of each stretch."""
    stretches = {ZERO_RUN: [(0, 300)], FULL_RUN: [(0, 600), (624, 76), (703, 97)], CUT_RUN: [(0, 250)]}
    return {
        run_id: [(first, counts_at(first, count).tolist()) for first, count in parts]
        for run_id, parts in stretches.items()
    }


def _record_zero(archive: Archive, shop: Workshop) -> None:
    run = shop.run(100, kind=RunKind.ZERO, plan_id=None, repeat=None, started_at="2026-05-04T08:14:00.000Z")
    recording = archive.begin(run)
    recording.append(0, counts_at(0, 300))
    recording.finish(samples_total=300, end_reason="as planned", ended_at="2026-05-04T08:14:00.300Z")
    archive.put(ZERO)


def _record_full(archive: Archive, shop: Workshop) -> None:
    recording = archive.begin(shop.run(101))
    recording.append(0, counts_at(0, 600))
    recording.gap(GAPS[0])
    recording.append(624, counts_at(624, 76))
    recording.gap(GAPS[1])
    recording.append(703, counts_at(703, 97))
    recording.finish(
        samples_total=800, rate_hz=999.75, onset_index=210, end_reason="as planned", ended_at=ENDED
    )
    archive.put(NOTICE)
    archive.put(DECISION)


def _leave_orphan(archive: Archive, shop: Workshop) -> None:
    recording = archive.begin(shop.run(102, repeat=2, started_at="2026-05-04T08:20:00.000Z"))
    recording.append(0, counts_at(0, 290))
    recording.abandon()


def make(target: Path) -> None:
    """Record three runs (a zero, a run with gaps, one cut off) and hand the archive over to ``target``."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "bench.anviltrace"
        with Archive.open(path, create=True) as archive:
            shop = workshop()
            shop.put_into(archive)
            _record_zero(archive, shop)
            _record_full(archive, shop)
            _leave_orphan(archive, shop)
        with Archive.open(path) as archive:
            assert len(archive.all(Run)) == 3
            assert archive.hand_over(target) == []


if __name__ == "__main__":
    make(Path(sys.argv[1]))
