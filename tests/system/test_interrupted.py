"""A run that cannot be carried through is kept as interrupted, and says why."""

from __future__ import annotations

from pathlib import Path

import pytest

from anviltrace.archive.archive import Archive
from anviltrace.capture.recorder import Progress, Recorder
from anviltrace.errors import RecordError
from anviltrace.link.port import open_port
from anviltrace.link.session import Session as Link
from anviltrace.records import Board, Notice, Rig, RigKind, Run, RunState, Session, new_id, now_utc
from anviltrace.virtual.board import Fault


def _session(archive: Archive, link: Link) -> Session:
    rig = Rig(new_id(), "rig", RigKind.HELD)
    board = Board(new_id(), link.identity.unique_id, "virtual", "0", 1, link.identity.converter, 24)
    session = Session(new_id(), rig.id, board.id, now_utc())
    for record in (rig, board, session):
        archive.put(record)
    return session


@pytest.mark.parametrize(
    ("scenario", "rate_hz", "fault"),
    [
        ("fishplate-held", 7500.0, Fault.CHIP_RESET),
        ("fishplate-fast", 30000.0, Fault.CHIP_RESET),
        ("fishplate-held", 7500.0, Fault.SILENT),
    ],
)
def test_a_converter_that_fails_interrupts_the_run(
    tmp_path: Path, scenario: str, rate_hz: float, fault: Fault
) -> None:
    port = open_port(f"virtual://{scenario}?seed=8")
    with Archive.open(tmp_path / "a.anviltrace", create=True) as archive, Link(port) as link:
        settings = link.configure(rate_hz, 64)
        archive.put(settings)
        spoiled: list[int] = []

        def spoil(progress: Progress) -> None:
            if progress.samples > rate_hz and not spoiled:
                spoiled.append(progress.samples)
                port.board.inject(fault)

        recorder = Recorder(link, archive, settings, _session(archive, link).id, spoil)
        with pytest.raises(RecordError, match="converter failed"):
            recorder.zero(3.0)
        (run,) = archive.all(Run)
        assert run.state is RunState.INTERRUPTED
        assert "converter failed" in run.end_reason
        assert run.samples >= rate_hz
        assert run.samples_total is not None
        assert any(notice.kind == "error" for notice in archive.all(Notice, run_id=run.id))
        assert archive.verify() == []
