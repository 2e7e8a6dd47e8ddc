"""Side channels: kept to the bit, sealed, never changed, and found out when damaged."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from workshop import Workshop, counts_at, fixed_id, workshop

from anviltrace.archive import Archive
from anviltrace.errors import ArchiveError, RecordError
from anviltrace.records import Quantity, Rating, Run, RunState, SideChannel, Spread

PIECES = [(0, counts_at(0, 20_000)), (20_100, counts_at(20_100, 50))]


def channel(run_id: str, number: int = 900) -> SideChannel:
    return SideChannel(
        fixed_id(number), run_id, Quantity.SUPPLY_CURRENT, "A", 2000.0, 0.25, 0.001, 0.01, 0.0, 0.002, 0.05,
        Spread.RECTANGULAR, -32768, 32767, "2026-05-04T08:30:00.000Z", "shunt 1 mΩ",
    )  # fmt: skip


@pytest.fixture
def shop(path: Path) -> Workshop:
    with Archive.open(path, create=True) as archive:
        workshop().put_into(archive)
        recording = archive.begin(workshop().run(1))
        recording.append(0, counts_at(0, 100))
        recording.finish()
    return workshop()


def as_lists(pieces: list[tuple[int, np.ndarray]]) -> list[tuple[int, list[int]]]:
    return [(first, counts.tolist()) for first, counts in pieces]


def test_a_channel_comes_out_as_it_went_in(path: Path, shop: Workshop):
    run_id = shop.run(1).id
    with Archive.open(path) as archive:
        kept = archive.put_side(channel(run_id), PIECES)
    with Archive.open(path, read_only=True) as archive:
        assert archive.sides(run_id) == [kept]
        assert as_lists(archive.side_pieces(kept.id)) == as_lists(PIECES)
        assert archive.verify() == []
    assert kept.samples == 20_050
    assert kept == replace(channel(run_id), samples=kept.samples, seal=kept.seal)


def test_a_channel_recorded_along_with_its_run_is_sealed_with_it(path: Path, shop: Workshop):
    run = shop.run(2)
    first, later = channel(run.id), replace(channel(run.id), rate_hz=2003.5, start_s=0.251, start_u_s=2e-4)
    with Archive.open(path) as archive:
        recording = archive.begin(run)
        recording.append(0, counts_at(0, 100))
        recording.keep_sides([(first, [(0, counts_at(0, 10))])], 1000.5)
        recording.keep_sides([(later, [(15, counts_at(15, 3)), (18, counts_at(18, 2))])])
        with pytest.raises(RecordError, match="sample 3 of 'supply current' came again: the next one is 20"):
            recording.keep_sides([(first, [(3, counts_at(3, 1))])])
        with pytest.raises(ValueError, match="was given to run"):
            recording.keep_sides([(channel(shop.run(1).id, 901), [])])
        assert archive.get(Run, run.id).rate_hz == 1000.5
        recording.finish()
        with pytest.raises(RecordError, match="has ended"):
            recording.keep_sides([(later, [(20, counts_at(20, 1))])])
        (kept,) = archive.sides(run.id)
        whole = archive.put_side(channel(run.id, 902), [(0, counts_at(0, 10)), (15, counts_at(15, 5))])
        assert archive.verify() == []
        assert archive.get(Run, run.id).rate_hz == 1000.5
    assert kept == replace(later, samples=15, seal=whole.seal)
    assert kept.seal is not None


def test_samples_that_could_not_be_written_can_be_written_again(path: Path, shop: Workshop):
    run = shop.run(2)
    with Archive.open(path) as archive:
        recording = archive.begin(run)
        bad = replace(channel(run.id, 901), per_count=0.0)
        parts = [(channel(run.id), [(0, counts_at(0, 10))]), (bad, [(0, counts_at(0, 10))])]
        with pytest.raises(ArchiveError, match="refuses a record"):
            recording.keep_sides(parts)
        assert archive.sides(run.id) == []
        recording.keep_sides(parts[:1])
        recording.finish()
        (kept,) = archive.sides(run.id)
        assert as_lists(archive.side_pieces(kept.id)) == [(0, counts_at(0, 10).tolist())]
        assert archive.verify() == []


def test_a_channel_left_open_by_a_killed_process_is_sealed_with_what_it_has(path: Path, shop: Workshop):
    run = shop.run(2)
    later = replace(channel(run.id), rate_hz=2003.5)
    with Archive.open(path) as archive:
        recording = archive.begin(run)
        recording.keep_sides([(channel(run.id), [(0, counts_at(0, 10))])])
        recording.keep_sides([(later, [])], 1000.5)
        recording.abandon()
    with Archive.open(path) as archive:
        (kept,) = archive.sides(run.id)
        closed = archive.get(Run, run.id)
        assert (closed.state, closed.rate_hz) == (RunState.INTERRUPTED, 1000.5)
        assert archive.verify() == []
    assert (kept.samples, kept.rate_hz) == (10, 2003.5)
    assert kept.seal is not None


def test_only_the_clock_changes_and_only_while_the_run_is_recorded(path: Path, shop: Workshop):
    run = shop.run(2)
    with Archive.open(path) as archive, closing(sqlite3.connect(path, isolation_level=None)) as outside:
        recording = archive.begin(run)
        recording.keep_sides([(channel(run.id), [])])
        outside.execute("UPDATE side_channel SET rate_hz = 2003.5, start_s = 0.251, start_u_s = 0.0002")
        with pytest.raises(sqlite3.IntegrityError, match="never changed: add it anew"):
            outside.execute("UPDATE side_channel SET u_relative = 0.001")
        outside.execute("UPDATE run SET state = 'interrupted' WHERE id = ?", (run.id,))
        with pytest.raises(sqlite3.IntegrityError, match="never changed once its run has ended"):
            outside.execute("UPDATE side_channel SET start_s = 0.0")
        recording.abandon()


def test_a_channel_without_its_run_leaves_nothing_behind(path: Path, shop: Workshop):  # noqa: ARG001
    with Archive.open(path) as archive:
        with pytest.raises(ArchiveError, match="refers to"):
            archive.put_side(channel(fixed_id(77)), PIECES)
        with pytest.raises(TypeError, match="put_side for a side channel"):
            archive.put(channel(fixed_id(77)))
        assert archive.all(SideChannel) == []


@pytest.mark.parametrize(
    "sql",
    [
        "UPDATE side_chunk SET crc32 = 0",
        "DELETE FROM side_chunk",
        "INSERT INTO side_chunk SELECT channel_id, 90000, count, codec, crc32, data FROM side_chunk LIMIT 1",
        "UPDATE side_channel SET per_count = 2.0",
        "UPDATE side_channel SET rate_hz = 2000.5",
        "UPDATE side_channel SET seal = NULL",
        "DELETE FROM side_channel",
        "UPDATE rating SET score = 1",
        "DELETE FROM rating",
    ],
)
def test_what_was_recorded_cannot_be_changed(path: Path, shop: Workshop, sql: str):
    run_id = shop.run(1).id
    with Archive.open(path) as archive:
        archive.put_side(channel(run_id), PIECES)
        archive.put(Rating(fixed_id(910), run_id, 7, "T. E."))
    with (
        closing(sqlite3.connect(path)) as connection,
        pytest.raises(sqlite3.IntegrityError, match=r"never|no"),
    ):
        connection.execute(sql)


@pytest.mark.parametrize(
    ("sql", "what"),
    [
        ("UPDATE side_chunk SET data = zeroblob(5) WHERE first_index = 0", "CRC-32"),
        ("DELETE FROM side_chunk WHERE first_index = 20100", "20000 samples are stored, 20050 were recorded"),
        ("UPDATE side_chunk SET first_index = 20200 WHERE first_index = 20100", "sha256 of counts and gaps"),
    ],
)
def test_verify_finds_a_damaged_side_channel(path: Path, shop: Workshop, sql: str, what: str):
    run_id = shop.run(1).id
    with Archive.open(path) as archive:
        archive.put_side(channel(run_id), PIECES)
    with closing(sqlite3.connect(path)) as connection:
        for name in ("changed", "deleted"):
            connection.execute(f"DROP TRIGGER side_chunk_is_never_{name}")
        connection.execute(sql)
        connection.commit()
    with Archive.open(path, read_only=True) as archive:
        findings = archive.verify()
    assert findings
    assert findings[0].run_id == run_id
    assert what in findings[0].what
    assert "side channel 'supply current'" in findings[0].where


@pytest.mark.parametrize("score", [0, 11])
def test_a_score_lies_between_1_and_10(path: Path, shop: Workshop, score: int):
    with Archive.open(path) as archive, pytest.raises(ArchiveError, match="refuses a record"):
        archive.put(Rating(fixed_id(910), shop.run(1).id, score, "T. E."))
