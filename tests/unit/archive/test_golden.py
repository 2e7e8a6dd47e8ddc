"""Archives of every released schema stay readable, bit for bit; migrations bring them up to date."""

from __future__ import annotations

import shutil
import sqlite3
from contextlib import closing
from dataclasses import fields
from pathlib import Path

import golden_archive
import pytest
from golden_archive import CUT_RUN, FULL_RUN, STEP_RUN, ZERO_RUN
from workshop import counts_at, workshop

from anviltrace.archive import Archive, migrations
from anviltrace.archive.orphans import ORPHANED
from anviltrace.errors import ArchiveError
from anviltrace.records import LoadStep, Rating, Run, RunState, Shunt, ShuntReading, Temperature, Tool, Zero

REAL_STEPS = migrations.STEPS
CURRENT = 4
PRETEND_STEP = """
CREATE TABLE crate (id TEXT PRIMARY KEY NOT NULL, name TEXT NOT NULL) STRICT;
ALTER TABLE tool ADD COLUMN crate_id TEXT REFERENCES crate (id);
INSERT INTO crate VALUES ('red', 'red crate');
UPDATE tool SET crate_id = 'red';
"""


@pytest.fixture
def oldest(root: Path, tmp_path: Path) -> Path:
    """A copy of the golden file of schema 1, so that it may be opened for writing."""
    return Path(shutil.copy(root / "fixtures" / "archives" / "schema-1.anviltrace", tmp_path))


@pytest.fixture
def golden(root: Path, tmp_path: Path) -> Path:
    """A copy of the golden file of the current schema."""
    return Path(shutil.copy(root / "fixtures" / "archives" / "schema-4.anviltrace", tmp_path))


@pytest.fixture
def third(root: Path, tmp_path: Path) -> Path:
    """A copy of the golden file of schema 3."""
    return Path(shutil.copy(root / "fixtures" / "archives" / "schema-3.anviltrace", tmp_path))


@pytest.fixture
def second(root: Path, tmp_path: Path) -> Path:
    """A copy of the golden file of schema 2."""
    return Path(shutil.copy(root / "fixtures" / "archives" / "schema-2.anviltrace", tmp_path))


def schema(path: Path) -> list[tuple[str, str]]:
    with closing(sqlite3.connect(path)) as connection:
        return connection.execute("SELECT name, sql FROM sqlite_master ORDER BY name").fetchall()


def version(path: Path) -> int:
    with closing(sqlite3.connect(path)) as connection:
        return connection.execute("PRAGMA user_version").fetchone()[0]


def assert_golden(archive: Archive) -> None:
    """Everything in the archive is what its maker put in."""
    shop = workshop()
    for record in (*(getattr(shop, field.name) for field in fields(shop)), golden_archive.ZERO):
        assert archive.get(type(record), record.id) == record
    for run_id, pieces in golden_archive.expected_pieces().items():
        assert [(first, counts.tolist()) for first, counts in archive.pieces(run_id)] == pieces
    assert archive.gaps(FULL_RUN) == golden_archive.GAPS
    assert archive.notices(FULL_RUN) == [golden_archive.NOTICE]
    assert archive.decisions(FULL_RUN) == [golden_archive.DECISION]
    assert archive.verify() == []


def assert_since_version_2(archive: Archive) -> None:
    for record in golden_archive.since_version_2():
        assert archive.get(type(record), record.id) == record
    assert archive.all(LoadStep) == golden_archive.STEPS


def test_the_golden_file_of_schema_1_is_brought_up_to_date(oldest: Path, golden: Path):
    with pytest.raises(ArchiveError, match=r"old schema version 1.*anviltrace archive upgrade"):
        Archive.open(oldest, read_only=True)
    with Archive.open(oldest) as archive:
        assert_golden(archive)
        assert archive.all(LoadStep) == []
    with Archive.open(oldest, read_only=True) as archive:
        assert_golden(archive)
    assert version(oldest) == CURRENT
    assert schema(oldest) == schema(golden)


def test_the_golden_file_of_schema_2_is_brought_up_to_date(second: Path, golden: Path):
    with pytest.raises(ArchiveError, match=r"old schema version 2.*anviltrace archive upgrade"):
        Archive.open(second, read_only=True)
    with Archive.open(second) as archive:
        assert_golden(archive)
        assert_since_version_2(archive)
        assert archive.all(Shunt) == archive.all(ShuntReading) == archive.all(Temperature) == []
    assert version(second) == CURRENT
    assert schema(second) == schema(golden)


def assert_since_version_3(archive: Archive) -> None:
    for record in golden_archive.since_version_3():
        assert archive.get(type(record), record.id) == record
    assert archive.get(Rating, golden_archive.RATING.id) == golden_archive.RATING
    assert archive.sides(STEP_RUN) == [golden_archive.SIDE]
    kept = archive.side_pieces(golden_archive.SIDE.id)
    assert [(first, counts.tolist()) for first, counts in kept] == [
        (first, counts.tolist()) for first, counts in golden_archive.SIDE_PIECES
    ]


def test_the_golden_file_of_schema_3_is_brought_up_to_date(third: Path, golden: Path):
    with pytest.raises(ArchiveError, match=r"old schema version 3.*anviltrace archive upgrade"):
        Archive.open(third, read_only=True)
    with Archive.open(third) as archive:
        assert_golden(archive)
        assert_since_version_2(archive)
        assert_since_version_3(archive)
    assert version(third) == CURRENT
    assert schema(third) == schema(golden)


@pytest.mark.parametrize("read_only", [True, False])
def test_the_golden_file_of_schema_4_reads_as_it_was_made(golden: Path, read_only: bool):
    with Archive.open(golden, read_only=read_only) as archive:
        assert_golden(archive)
        assert_since_version_2(archive)
        assert_since_version_3(archive)
        assert [run.id for run in archive.all(Run)] == [STEP_RUN, ZERO_RUN, FULL_RUN, CUT_RUN]
        full, cut = archive.get(Run, FULL_RUN), archive.get(Run, CUT_RUN)
    assert (full.state, full.samples, full.samples_total, full.rate_hz) == (
        RunState.FINISHED,
        773,
        800,
        999.75,
    )
    assert (cut.state, cut.samples, cut.end_reason) == (RunState.INTERRUPTED, 250, ORPHANED)


@pytest.mark.parametrize("file", ["oldest", "second", "third", "golden"])
def test_seals_of_the_golden_files_are_the_published_ones(file: str, request: pytest.FixtureRequest):
    """Written down when the first was made: neither codec nor seal may ever come out otherwise."""
    with Archive.open(request.getfixturevalue(file)) as archive:
        seals = {run.id: run.seal for run in archive.all(Run) if run.id != STEP_RUN}
    assert seals == {
        ZERO_RUN: "b091baeab170e7c52d46dcc88e33a5a72ac964414334efe1107db01cd14e12b0",
        FULL_RUN: "d04ba5c035d728d33c155b965043f5f17fcad8b7d7504370b06064216662ed46",
        CUT_RUN: "ddc59924aae5077af98355950df422f3b3c45fcdfacde89b0cc9f946a1f9609b",
    }


def test_a_new_archive_has_the_schema_of_the_golden_file(golden: Path, path: Path):
    Archive.open(path, create=True).close()
    assert version(golden) == version(path) == CURRENT
    assert schema(golden) == schema(path)


def test_reading_the_golden_file_leaves_it_alone(golden: Path):
    before = golden.read_bytes()
    with Archive.open(golden, read_only=True) as archive:
        archive.verify()
    assert golden.read_bytes() == before
    assert list(golden.parent.iterdir()) == [golden]


def test_a_step_takes_the_golden_file_to_a_pretend_next_version(golden: Path, path: Path, monkeypatch):
    monkeypatch.setattr(migrations, "STEPS", (*REAL_STEPS, PRETEND_STEP))
    with pytest.raises(
        ArchiveError, match=rf"old schema version {CURRENT}, this program uses {CURRENT + 1}: it"
    ):
        Archive.open(golden, read_only=True)
    for _ in range(2):
        with Archive.open(golden) as archive:
            assert_golden(archive)
            assert archive._connection.execute("SELECT crate_id FROM tool").fetchall() == [("red",)]
            assert archive._connection.execute("PRAGMA foreign_keys").fetchone() == (1,)
    Archive.open(path, create=True).close()
    assert version(golden) == version(path) == CURRENT + 1
    assert schema(golden) == schema(path)


def test_steps_come_in_order_and_a_failed_one_is_undone(golden: Path, monkeypatch: pytest.MonkeyPatch):
    failing = "ALTER TABLE crate ADD COLUMN colour TEXT; INSERT INTO attic VALUES (1);"
    monkeypatch.setattr(migrations, "STEPS", (*REAL_STEPS, PRETEND_STEP, failing))
    with pytest.raises(ArchiveError, match="no such table: attic"):
        Archive.open(golden)
    assert version(golden) == CURRENT + 1
    assert "colour" not in dict(schema(golden))["crate"]
    monkeypatch.setattr(
        migrations, "STEPS", (*REAL_STEPS, PRETEND_STEP, "ALTER TABLE crate ADD COLUMN colour TEXT;")
    )
    with Archive.open(golden) as archive:
        assert_golden(archive)
    assert version(golden) == CURRENT + 2


def test_a_step_may_not_break_references(golden: Path, monkeypatch: pytest.MonkeyPatch):
    monkeypatch.setattr(migrations, "STEPS", (*REAL_STEPS, "DELETE FROM tool;"))
    with pytest.raises(ArchiveError, match=f"migration to schema {CURRENT + 1} left broken references"):
        Archive.open(golden)
    monkeypatch.undo()
    with Archive.open(golden) as archive:
        assert len(archive.all(Tool)) == 1
        assert_golden(archive)


def test_an_old_archive_in_use_is_not_migrated_under_the_recorder(golden: Path, monkeypatch):
    with Archive.open(golden) as archive, archive.begin(workshop().run(500)) as recording:
        monkeypatch.setattr(migrations, "STEPS", (*REAL_STEPS, PRETEND_STEP))
        with pytest.raises(ArchiveError, match="while nobody records into it"):
            Archive.open(golden)
        recording.append(0, counts_at(0, 10))
        recording.finish()
    assert version(golden) == CURRENT


def test_zeros_of_the_golden_file_hold_their_counts(golden: Path):
    with Archive.open(golden, read_only=True) as archive:
        (zero,) = archive.all(Zero, run_id=ZERO_RUN)
        assert len(archive.counts(zero.run_id)) == zero.samples


@pytest.mark.parametrize("table", ["load_step", "check_reading", "shunt_reading", "ring_down"])
@pytest.mark.parametrize("statement", ["UPDATE {} SET id = id", "DELETE FROM {}"])
def test_readings_with_weights_are_never_altered(golden: Path, table: str, statement: str):
    with (
        Archive.open(golden) as archive,
        pytest.raises(sqlite3.IntegrityError, match=r"are never (changed|deleted)"),
    ):
        archive._connection.execute(statement.format(table))
