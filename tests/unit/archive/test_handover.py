"""Hand-over copies: whole, verified, never over something else."""

from __future__ import annotations

import os
import resource
import sqlite3
from contextlib import closing
from pathlib import Path

import numpy as np
import pytest
from workshop import Workshop, counts_at

from anviltrace.archive import Archive
from anviltrace.errors import ArchiveError
from anviltrace.records import Run, RunState, Tool


def test_a_copy_is_one_whole_file(archive: Archive, shop: Workshop, run: Run, tmp_path: Path):
    target = tmp_path / "out" / "copy.anviltrace"
    target.parent.mkdir()
    assert archive.hand_over(target) == []
    assert os.listdir(target.parent) == ["copy.anviltrace"]
    with Archive.open(target, read_only=True) as copy:
        assert copy.all(Run) == [run]
        assert copy.all(Tool) == [shop.tool]
        np.testing.assert_array_equal(copy.counts(run.id), archive.counts(run.id))
    assert os.listdir(target.parent) == ["copy.anviltrace"]


def test_a_copy_holds_what_is_still_in_the_wal(archive: Archive, run: Run, path: Path, tmp_path: Path):
    """The very reason not to copy the file by hand."""
    with closing(sqlite3.connect(f"file:{path}?immutable=1", uri=True)) as main_file_alone:
        assert main_file_alone.execute("SELECT count(*) FROM run").fetchone() == (0,)
    archive.hand_over(tmp_path / "copy.anviltrace")
    with Archive.open(tmp_path / "copy.anviltrace", read_only=True) as copy:
        assert copy.all(Run) == [run]


def test_a_copy_can_be_recorded_into(archive: Archive, shop: Workshop, run: Run, tmp_path: Path):
    target = tmp_path / "copy.anviltrace"
    archive.hand_over(target)
    with Archive.open(target) as copy:
        recording = copy.begin(shop.run(101))
        recording.append(0, counts_at(0, 300))
        recording.finish()
        assert copy.verify() == []
        assert copy._connection.execute("PRAGMA journal_mode").fetchone() == ("wal",)
    assert archive.all(Run) == [run]


def test_nothing_is_overwritten(archive: Archive, path: Path, tmp_path: Path):
    there = tmp_path / "holiday.txt"
    there.write_text("keep me", encoding="utf-8")
    for target in (there, path):
        with pytest.raises(ArchiveError, match="exists and is not overwritten"):
            archive.hand_over(target)
    assert there.read_text(encoding="utf-8") == "keep me"


def test_a_folder_that_is_not_there(archive: Archive, tmp_path: Path):
    with pytest.raises(ArchiveError, match=r"there is no folder .*attic"):
        archive.hand_over(tmp_path / "attic" / "copy.anviltrace")


def test_no_copy_while_a_run_is_being_recorded(archive: Archive, shop: Workshop, tmp_path: Path):
    with archive.begin(shop.run(100)) as recording:
        with pytest.raises(ArchiveError, match="copy it when the run has ended"):
            archive.hand_over(tmp_path / "copy.anviltrace")
        recording.finish()
    assert archive.hand_over(tmp_path / "copy.anviltrace") == []


def test_an_orphan_is_copied_from_an_archive_open_for_reading(
    archive: Archive, shop: Workshop, path: Path, tmp_path: Path
):
    recording = archive.begin(shop.run(100))
    recording.append(0, counts_at(0, 300))
    recording.abandon()
    with Archive.open(path, read_only=True) as reader:
        assert reader.hand_over(tmp_path / "copy.anviltrace") == []
    with Archive.open(tmp_path / "copy.anviltrace") as copy:
        assert (copy.all(Run)[0].state, copy.all(Run)[0].samples) == (RunState.INTERRUPTED, 250)


def test_damage_in_the_archive_is_found_in_the_copy(archive: Archive, run: Run, tmp_path: Path):
    with archive._connection.blobopen("chunk", "data", 1) as blob:
        blob[7] = blob[7] ^ 1
    (finding,) = archive.hand_over(tmp_path / "copy.anviltrace")
    assert (finding.run_id, finding.where) == (run.id, "samples 0 to 249")


def test_a_copy_that_fails_leaves_nothing(archive: Archive, tmp_path: Path, monkeypatch):
    def no_disk(_: Path) -> None:
        raise OSError(5, "Input/output error")

    monkeypatch.setattr("anviltrace.archive.handover._to_disk", no_disk)
    before = set(os.listdir(tmp_path))
    with pytest.raises(ArchiveError, match=r"copy\.anviltrace cannot be written \(Input/output error\)"):
        archive.hand_over(tmp_path / "copy.anviltrace")
    assert set(os.listdir(tmp_path)) == before


@pytest.mark.usefixtures("run")
def test_a_full_disk_stops_the_copy(archive: Archive, tmp_path: Path):
    """A limit on the size of files stands in for the disk."""
    limit = resource.getrlimit(resource.RLIMIT_FSIZE)
    before = set(os.listdir(tmp_path))
    resource.setrlimit(resource.RLIMIT_FSIZE, (20_000, limit[1]))
    try:
        with pytest.raises(ArchiveError, match=r"copy\.anviltrace"):
            archive.hand_over(tmp_path / "copy.anviltrace")
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, limit)
    assert set(os.listdir(tmp_path)) == before
    assert archive.verify() == []
