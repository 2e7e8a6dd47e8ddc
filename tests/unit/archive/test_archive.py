"""Records in, records out; nothing is overwritten."""

from __future__ import annotations

import sqlite3
from dataclasses import fields, replace
from typing import get_args

import numpy as np
import pytest
from workshop import Workshop, counts_at, fixed_id

from anviltrace.archive import Archive, rows
from anviltrace.errors import ArchiveError
from anviltrace.records import (
    Decision,
    Gap,
    GapCause,
    Notice,
    Plan,
    Rig,
    Run,
    RunState,
    Session,
    Tool,
    Zero,
)


def test_every_record_comes_back_as_it_was_put(archive: Archive, shop: Workshop, run: Run):
    zero = Zero(fixed_id(20), shop.session.id, run.id, "2026-05-04T08:14:00.000Z", -1204.25, 2.5, 1000)
    notice = Notice(run.id, 12, "text", "Traceback: a board's last words\n", "2026-05-04T08:15:01.000Z")
    decision = Decision(
        fixed_id(21), run.id, "discard", "socket slipped", "2026-05-04T08:16:00.000Z", "T. E."
    )
    for record in (zero, notice, decision):
        archive.put(record)
    for record in (*(getattr(shop, field.name) for field in fields(shop)), zero, decision):
        assert archive.get(type(record), record.id) == record
    assert archive.notices(run.id) == [notice]
    assert archive.decisions(run.id) == [decision]
    assert archive.gaps(run.id) == [Gap(run.id, 1000, 24, GapCause.LINK)]


def test_each_kind_of_record_has_a_table_with_exactly_its_fields(archive: Archive):
    for kind in get_args(rows.Record):
        columns = archive._connection.execute(f"PRAGMA table_info({rows.table_of(kind).name})").fetchall()
        names = [name for _, name, *_ in columns if (kind, name) != (Notice, "number")]
        assert names == [field.name for field in fields(kind)]


def test_the_same_record_twice_does_nothing(archive: Archive, shop: Workshop, run: Run):
    notice = Notice(run.id, 3, "warning", "once", "2026-05-04T08:15:01.000Z")
    for _ in range(2):
        archive.put(shop.tool)
        archive.put(notice)
    assert archive.all(Tool) == [shop.tool]
    assert archive.notices(run.id) == [notice]


def test_another_record_with_the_same_id_is_refused(archive: Archive, shop: Workshop):
    with pytest.raises(ArchiveError, match=r"already has another tool .*: nothing is overwritten"):
        archive.put(replace(shop.tool, mass_kg=9.9))
    assert archive.get(Tool, shop.tool.id) == shop.tool


def test_records_are_found_by_their_fields(archive: Archive, shop: Workshop):
    other = replace(shop.tool, id=fixed_id(30), name="Little Shunter", mass_kg=None)
    archive.put(other)
    assert archive.all(Tool, name="Little Shunter") == [other]
    assert archive.all(Tool, mass_kg=None) == [other]
    assert archive.all(Plan, rotation=shop.plan.rotation, marks_s=shop.plan.marks_s) == [shop.plan]
    assert archive.all(Tool, name="unknown") == []
    with pytest.raises(ValueError, match="a tool has no field 'colour'"):
        archive.all(Tool, colour="red")


def test_a_missing_record_is_named(archive: Archive):
    with pytest.raises(ArchiveError, match=f"has no rig {fixed_id(99)}"):
        archive.get(Rig, fixed_id(99))


def test_a_reference_to_nowhere_is_refused(archive: Archive, shop: Workshop):
    with pytest.raises(ArchiveError, match="put the records it refers to first"):
        archive.put(replace(shop.session, id=fixed_id(31), rig_id=fixed_id(99)))
    with pytest.raises(ArchiveError, match="FOREIGN KEY"):
        archive.begin(shop.run(101, tool_id=fixed_id(99)))
    assert archive.all(Run) == []


@pytest.mark.parametrize(
    "change",
    [{"kind": "wobbly"}, {"id": "7"}, {"name": ""}],
    ids=["unknown kind", "no UUID", "no name"],
)
def test_values_outside_the_schema_are_refused(archive: Archive, shop: Workshop, change: dict[str, str]):
    with pytest.raises(ArchiveError, match="CHECK constraint"):
        archive.put(replace(shop.rig, **({"id": fixed_id(32)} | change)))


@pytest.mark.parametrize("number", [float("nan"), float("inf")])
def test_numbers_that_are_none_are_refused(archive: Archive, shop: Workshop, number: float):
    """SQLite would store NaN as NULL, which means unknown."""
    with pytest.raises(ValueError, match="mass_kg is"):
        archive.put(replace(shop.tool, id=fixed_id(33), mass_kg=number))
    assert archive.all(Tool) == [shop.tool]


def test_runs_and_gaps_come_from_recordings_only(archive: Archive, shop: Workshop, run: Run):
    with pytest.raises(TypeError, match=r"use Archive\.begin"):
        archive.put(shop.run(102))
    with pytest.raises(TypeError, match=r"use Archive\.begin"):
        archive.put(Gap(run.id, 5000, 1, GapCause.LINK))


def test_a_session_ends_once_it_has_ended(archive: Archive, shop: Workshop):
    ended = archive.end_session(shop.session.id, "2026-05-04T17:00:00.000Z")
    assert ended == replace(shop.session, ended_at="2026-05-04T17:00:00.000Z")
    assert archive.get(Session, shop.session.id) == ended
    archive.put(ended)


def test_pieces_lie_between_the_gaps(archive: Archive, run: Run):
    pieces = archive.pieces(run.id)
    assert [(first, len(counts)) for first, counts in pieces] == [(0, 1000), (1024, 300)]
    for first, counts in pieces:
        np.testing.assert_array_equal(counts, counts_at(first, len(counts)))
    np.testing.assert_array_equal(archive.counts(run.id), np.r_[counts_at(0, 1000), counts_at(1024, 300)])


def test_a_run_without_samples_has_no_counts(archive: Archive, shop: Workshop):
    empty = archive.begin(shop.run(103)).finish(samples_total=0)
    assert archive.counts(empty.id).tolist() == []
    assert archive.pieces(empty.id) == []
    assert archive.verify() == []


def test_counts_of_a_run_that_is_not_there(archive: Archive):
    with pytest.raises(ArchiveError, match="has no run"):
        archive.counts(fixed_id(99))


def test_a_run_is_found_by_the_beginning_of_its_id(archive: Archive, shop: Workshop, run: Run):
    archive.begin(shop.run(200, id="abc" + fixed_id(1)[3:])).finish()
    archive.begin(shop.run(201, id="abd" + fixed_id(1)[3:])).finish()
    assert archive.find_run("ABC").wire_run_id == 200
    assert archive.find_run(run.id) == run
    with pytest.raises(ArchiveError, match="2 runs begin with 'ab': give more digits"):
        archive.find_run("ab")
    with pytest.raises(ArchiveError, match="has no run fff"):
        archive.find_run("fff")


def test_runs_come_in_order_of_time_and_by_state(archive: Archive, shop: Workshop):
    late = archive.begin(shop.run(301, started_at="2026-05-05T00:00:00.000Z")).finish()
    early = archive.begin(shop.run(302, started_at="2026-05-03T00:00:00.000Z")).interrupt("cable came off")
    assert archive.all(Run) == [early, late]
    assert archive.all(Run, state=RunState.INTERRUPTED) == [early]
    assert archive.all(Run, state=RunState.FINISHED, tool_id=shop.tool.id) == [late]


@pytest.mark.parametrize(
    "statement",
    [
        "UPDATE chunk SET count = 1",
        "DELETE FROM chunk",
        "UPDATE gap SET count = 1",
        "DELETE FROM gap",
        "INSERT INTO gap VALUES ('{run}', 9000, 1, 'link', 0)",
        "INSERT INTO chunk VALUES ('{run}', 9000, 1, 1, 0, x'00')",
        "UPDATE run SET seal = NULL, state = 'recording'",
        "UPDATE decision SET verdict = 'keep'",
        "DELETE FROM decision",
    ],
)
def test_the_file_itself_refuses_to_change_what_was_recorded(archive: Archive, run: Run, statement: str):
    archive.put(Decision(fixed_id(21), run.id, "discard", "socket slipped"))
    with pytest.raises(sqlite3.IntegrityError, match=r"never|no more"):
        archive._connection.execute(statement.format(run=run.id))
