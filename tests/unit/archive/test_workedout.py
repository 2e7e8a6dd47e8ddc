"""What was worked out is found again under the same inputs, and never stands in the way."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from pathlib import Path

import pytest
from workshop import counts_at, workshop

from anviltrace.archive import Archive, migrations
from anviltrace.archive.workedout import WorkedOut
from anviltrace.records import Run

ONE, OTHER = 32 * "a1", 32 * "b2"


@pytest.fixture
def run(path: Path) -> Run:
    """A finished run in an archive at ``path``."""
    with Archive.open(path, create=True) as archive:
        shop = workshop()
        shop.put_into(archive)
        with archive.begin(shop.run(100)) as recording:
            recording.append(0, counts_at(0, 300))
            return recording.finish(samples_total=300)


def rows(path: Path) -> list[tuple[str, str]]:
    with closing(sqlite3.connect(path)) as connection:
        return connection.execute("SELECT inputs, code FROM worked_out ORDER BY rowid").fetchall()


def test_found_again_under_the_same_inputs(path: Path, run: Run):
    with WorkedOut(path) as store:
        store.keep(run.id, "result", ONE, "code 1", b"numbers")
        assert store.find(run.id, "result", ONE) == b"numbers"
        assert store.find(run.id, "result", OTHER) is None
        assert store.find(run.id, "extremes", ONE) is None
    with WorkedOut(path) as store, Archive.open(path, read_only=True) as archive:
        assert store.find(run.id, "result", ONE) == b"numbers"
        assert archive.verify() == []


def test_what_other_code_left_is_dropped(path: Path, run: Run):
    with WorkedOut(path) as store:
        store.keep(run.id, "result", ONE, "code 1", b"old")
        store.keep(run.id, "result", OTHER, "code 1", b"with another calibration")
        store.keep(run.id, "result", ONE, "code 1", b"again")
        assert rows(path) == [(OTHER, "code 1"), (ONE, "code 1")]
        store.keep(run.id, "result", ONE, "code 2", b"new")
        assert rows(path) == [(ONE, "code 2")]


def test_an_archive_of_another_version_is_left_alone(path: Path, run: Run):
    with closing(sqlite3.connect(path)) as connection:
        connection.execute(f"PRAGMA user_version = {migrations.current_version() + 1}")
    with WorkedOut(path) as store:
        store.keep(run.id, "result", ONE, "code 1", b"numbers")
        assert store.find(run.id, "result", ONE) is None
    assert rows(path) == []


def test_no_file_is_no_error(tmp_path: Path):
    with WorkedOut(tmp_path / "none.anviltrace") as store:
        store.keep("x", "result", ONE, "code 1", b"numbers")
        assert store.find("x", "result", ONE) is None
    assert list(tmp_path.iterdir()) == []


@pytest.mark.usefixtures("run")
def test_a_run_that_is_not_there_is_not_kept(path: Path):
    with WorkedOut(path) as store:
        store.keep("no such run", "result", ONE, "code 1", b"numbers")
        assert store.find("no such run", "result", ONE) is None
    assert rows(path) == []
