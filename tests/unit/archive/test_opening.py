"""Opening: what is no archive, what is newer, what may not be written; orphans; reading only."""

from __future__ import annotations

import os
import sqlite3
import subprocess
import sys
from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path

import numpy as np
import pytest
from workshop import Workshop, counts_at

from anviltrace.archive import Archive, lock, migrations
from anviltrace.archive.orphans import ORPHANED
from anviltrace.archive.seal import seal_of
from anviltrace.errors import ArchiveError, DamageError, NewerArchiveError
from anviltrace.records import Run, RunState, Tool

NOBODY = 65534


@pytest.fixture
def open_folder() -> Iterator[Path]:
    """A folder that every user may reach; tmp_path belongs to one user alone."""
    import tempfile

    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        folder.chmod(0o755)
        yield folder
        folder.chmod(0o755)


@contextmanager
def without_privileges() -> Iterator[None]:
    """Root may write anywhere; for a while be somebody who may not."""
    if os.geteuid() != 0:
        yield
        return
    os.seteuid(NOBODY)
    try:
        yield
    finally:
        os.seteuid(0)


def both_ways(path: Path) -> Iterator[tuple[str, pytest.ExceptionInfo[ArchiveError]]]:
    """The error of opening for reading, and that of opening for writing with leave to create."""
    for how in ({"read_only": True}, {"create": True}):
        with pytest.raises(ArchiveError) as caught:
            Archive.open(path, **how)
        assert "\n" not in str(caught.value)
        yield str(how), caught


def orphan(path: Path, shop: Workshop, samples: int = 600) -> Run:
    """A run whose recording stopped without a word."""
    archive = Archive.open(path, create=True)
    shop.put_into(archive)
    recording = archive.begin(shop.run(100))
    recording.append(0, counts_at(0, samples))
    recording.abandon()
    archive.close()
    return recording.run


def test_a_new_archive_is_made_only_when_asked_for(path: Path):
    with pytest.raises(ArchiveError, match=r"there is no archive .*: check the name"):
        Archive.open(path)
    assert list(path.parent.iterdir()) == []
    Archive.open(path, create=True).close()
    assert list(path.parent.iterdir()) == [path]
    with closing(sqlite3.connect(path)) as connection:
        for pragma, value in {
            "journal_mode": "wal",
            "application_id": 0x414E5654,
            "user_version": migrations.current_version(),
        }.items():
            assert connection.execute(f"PRAGMA {pragma}").fetchone()[0] == value


def test_connections_are_durable_and_keep_references(archive: Archive):
    assert archive._connection.execute("PRAGMA synchronous").fetchone()[0] == 2  # FULL
    assert archive._connection.execute("PRAGMA foreign_keys").fetchone()[0] == 1


def test_create_opens_what_is_there(path: Path, shop: Workshop):
    for _ in range(2):
        with Archive.open(path, create=True) as archive:
            shop.put_into(archive)
    with Archive.open(path) as archive:
        assert archive.all(Tool) == [shop.tool]


def test_a_folder_that_is_not_there(tmp_path: Path):
    with pytest.raises(ArchiveError, match=r"there is no folder .*: make it first"):
        Archive.open(tmp_path / "attic" / "bench.anviltrace", create=True)


def test_a_name_with_odd_characters(tmp_path: Path, shop: Workshop):
    path = tmp_path / "50% öl?#.anviltrace"
    orphan(path, shop)
    with Archive.open(path, read_only=True) as archive:
        assert len(archive.all(Run)) == 1


def test_text_is_no_archive(path: Path):
    path.write_text("torque,N·m\n" * 100, encoding="utf-8")
    before = path.read_bytes()
    for _, caught in both_ways(path):
        caught.match("is not an archive")
    assert path.read_bytes() == before
    assert list(path.parent.iterdir()) == [path]


def test_the_database_of_another_program_is_no_archive(path: Path):
    with closing(sqlite3.connect(path)) as connection:
        connection.execute("CREATE TABLE song (title)")
    before = path.read_bytes()
    for _, caught in both_ways(path):
        caught.match("an SQLite file of another program")
    assert path.read_bytes() == before


def test_an_empty_file_is_no_archive(path: Path):
    path.touch()
    for _, caught in both_ways(path):
        caught.match("is empty .*: delete it or use another name")


def test_a_folder_is_no_archive(tmp_path: Path):
    for _, caught in both_ways(tmp_path):
        caught.match("is a folder, not an archive")


def test_an_archive_from_a_newer_version_names_both(path: Path, shop: Workshop):
    orphan(path, shop)
    with closing(sqlite3.connect(path)) as connection:
        connection.execute("PRAGMA user_version = 41")
    before = path.read_bytes()
    for _, caught in both_ways(path):
        assert isinstance(caught.value, NewerArchiveError)
        caught.match(f"has schema version 41, .* up to {migrations.current_version()}: install a newer")
    assert path.read_bytes() == before


@pytest.mark.parametrize("part", [0.02, 0.1, 0.35, 0.5, 0.75, 0.9, 0.99])
def test_a_file_cut_short_is_noticed(path: Path, shop: Workshop, part: float):
    orphan(path, shop, samples=20_000)
    Archive.open(path).close()
    whole = path.read_bytes()
    path.write_bytes(whole[: int(len(whole) * part)])
    with pytest.raises(DamageError, match="damaged or cut short"):
        Archive.open(path, read_only=True)
    with pytest.raises(DamageError, match="damaged or cut short"):
        Archive.open(path)
    assert path.stat().st_size == int(len(whole) * part)


def test_a_file_cut_within_its_first_page(path: Path, shop: Workshop):
    orphan(path, shop)
    path.write_bytes(path.read_bytes()[:1000])
    for _, caught in both_ways(path):
        caught.match(r"cut short|is not an archive")


def test_an_old_sqlite_is_refused(path: Path, monkeypatch: pytest.MonkeyPatch):
    monkeypatch.setattr(sqlite3, "sqlite_version_info", (3, 34, 1))
    with pytest.raises(ArchiveError, match=r"3\.37 or newer is needed"):
        Archive.open(path, create=True)


@pytest.mark.usefixtures("archive")
def test_a_lock_of_another_program_is_explained(path: Path, monkeypatch: pytest.MonkeyPatch):
    monkeypatch.setattr("anviltrace.archive.connection.BUSY_S", 0.05)
    with closing(sqlite3.connect(path, isolation_level=None)) as other:
        other.execute("BEGIN IMMEDIATE")
        with pytest.raises(ArchiveError, match="locked by another program"):
            Archive.open(path)
        other.execute("ROLLBACK")


def test_an_orphan_is_closed_and_sealed(path: Path, shop: Workshop):
    run = orphan(path, shop)
    with Archive.open(path) as archive:
        closed = archive.get(Run, run.id)
        assert (closed.state, closed.samples, closed.end_reason) == (RunState.INTERRUPTED, 500, ORPHANED)
        assert closed.seal == seal_of([counts_at(0, 500)], [])
        assert closed.ended_at is None
        assert archive.verify() == []


def test_begin_closes_an_orphan_too(archive: Archive, shop: Workshop):
    recording = archive.begin(shop.run(100))
    recording.abandon()
    archive.begin(shop.run(101)).finish()
    row = archive._connection.execute("SELECT state FROM run WHERE id = ?", (recording.run.id,))
    assert row.fetchone() == ("interrupted",)


def test_reading_shows_an_orphan_as_interrupted_and_writes_nothing(path: Path, shop: Workshop):
    run = orphan(path, shop)
    before = path.read_bytes()
    with Archive.open(path, read_only=True) as archive:
        (seen,) = archive.all(Run, state=RunState.INTERRUPTED)
        assert (seen.id, seen.samples, seen.end_reason, seen.seal) == (run.id, 500, ORPHANED, None)
        assert archive.all(Run, state=RunState.RECORDING) == []
        assert archive.verify() == []
        np.testing.assert_array_equal(archive.counts(run.id), counts_at(0, 500))
    assert path.read_bytes() == before


def test_an_archive_open_for_reading_refuses_to_write(path: Path, shop: Workshop):
    orphan(path, shop)
    with Archive.open(path, read_only=True) as archive:
        for write in (
            lambda: archive.put(shop.tool),
            lambda: archive.begin(shop.run(101)),
            lambda: archive.end_session(shop.session.id),
        ):
            with pytest.raises(ArchiveError, match="opened for reading only"):
                write()


def test_a_run_of_another_process_is_left_alone(archive: Archive, shop: Workshop, path: Path):
    recording = archive.begin(shop.run(100))
    recording.append(0, counts_at(0, 300))
    code = (
        "import sys; from anviltrace.archive import Archive; from anviltrace.records import Run\n"
        "for how in ({}, {'read_only': True}):\n"
        "    with Archive.open(sys.argv[1], **how) as archive:\n"
        "        (run,) = archive.all(Run); print(run.state, len(archive.counts(run.id)), archive.verify())"
    )
    seen = subprocess.run([sys.executable, "-c", code, path], capture_output=True, text=True, check=True)
    assert seen.stdout.splitlines() == ["recording 250 []", "recording 250 []"]
    recording.append(300, counts_at(300, 300))
    assert recording.finish().samples == 600


def test_a_read_only_folder_can_be_read(open_folder: Path, shop: Workshop):
    path = open_folder / "bench.anviltrace"
    run = orphan(path, shop)
    path.chmod(0o644)
    open_folder.chmod(0o555)
    with without_privileges():
        with Archive.open(path, read_only=True) as archive:
            np.testing.assert_array_equal(archive.counts(run.id), counts_at(0, 500))
            assert archive.get(Run, run.id).state is RunState.INTERRUPTED
            assert archive.verify() == []
        with pytest.raises(ArchiveError, match=r"cannot write beside .*: use a folder you may write to"):
            Archive.open(path)
        with pytest.raises(ArchiveError, match="cannot write beside"):
            Archive.open(open_folder / "new.anviltrace", create=True)
    assert os.listdir(open_folder) == [path.name]


def test_newer_data_beside_a_read_only_archive_is_not_passed_over(open_folder: Path, shop: Workshop):
    """A killed recording left a -wal file, and the folder takes no index for it."""
    path = open_folder / "bench.anviltrace"
    with Archive.open(path, create=True) as archive:
        shop.put_into(archive)
        recording = archive.begin(shop.run(100))
        recording.append(0, counts_at(0, 600))
        wal = (open_folder / "bench.anviltrace-wal").read_bytes()
        main = path.read_bytes()
        recording.finish()
    path.write_bytes(main)
    (open_folder / "bench.anviltrace-wal").write_bytes(wal)
    path.chmod(0o644)
    open_folder.chmod(0o555)
    with without_privileges(), pytest.raises(ArchiveError, match="copy both files to a folder you may write"):
        Archive.open(path, read_only=True)
    open_folder.chmod(0o755)
    with Archive.open(path) as archive:
        assert archive.get(Run, recording.run.id).samples == 500


def test_a_file_without_permission_is_explained(open_folder: Path, shop: Workshop):
    path = open_folder / "bench.anviltrace"
    orphan(path, shop)
    open_folder.chmod(0o777)
    path.chmod(0o444)
    with without_privileges(), pytest.raises(ArchiveError, match=r"cannot be written .*: check the perm"):
        Archive.open(path)
    path.chmod(0o000)
    with (
        without_privileges(),
        pytest.raises(ArchiveError, match=r"cannot be opened .*: check the permissions"),
    ):
        Archive.open(path, read_only=True)
    assert not lock.is_held(path)


def test_creation_waits_for_another_creation(path: Path, monkeypatch: pytest.MonkeyPatch):
    monkeypatch.setattr("anviltrace.archive.opening.CREATE_WAIT_S", 0.02)
    held = lock.acquire(path, 0.0)
    assert held is not None
    with pytest.raises(ArchiveError, match=f"process {os.getpid()} is making"):
        Archive.open(path, create=True)
    held.release()
    Archive.open(path, create=True).close()
