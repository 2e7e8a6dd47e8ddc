"""What verify finds: every kind of harm, done on purpose, one at a time."""

from __future__ import annotations

import random
import sqlite3

import numpy as np
import pytest
from workshop import Workshop, counts_at, fixed_id

from anviltrace.archive import Archive, codec
from anviltrace.errors import DamageError
from anviltrace.records import Gap, GapCause, Run, RunState

TRIGGERS = "SELECT name FROM sqlite_master WHERE type = 'trigger'"


def harm(archive: Archive, statement: str, *values: object) -> None:
    """Change what the file guards: its triggers and references are put out of action first."""
    for (name,) in archive._connection.execute(TRIGGERS).fetchall():
        archive._connection.execute(f"DROP TRIGGER {name}")
    archive._connection.execute("PRAGMA foreign_keys = OFF")
    archive._connection.execute(statement, values)


def flip_bit(archive: Archive, rowid: int, bit: int) -> None:
    """Flip one bit of the packed samples in place, past every guard of the file."""
    with archive._connection.blobopen("chunk", "data", rowid) as blob:
        byte = blob[bit // 8]
        blob[bit // 8] = byte ^ (1 << bit % 8)


def test_a_whole_archive_has_nothing_to_find(archive: Archive, shop: Workshop, run: Run):
    second = archive.begin(shop.run(101)).interrupt("cable came off")
    seen = []
    assert archive.verify(progress=lambda done, total, run: seen.append((done, total, run.id))) == []
    assert seen == [(0, 2, run.id), (1, 2, second.id)]
    assert archive.verify([second.id]) == []


def test_forty_single_flipped_bits_are_noticed(archive: Archive, shop: Workshop):
    recording = archive.begin(shop.run(100))
    recording.append(0, counts_at(0, 5000))
    run = recording.finish()
    sizes = archive._connection.execute("SELECT rowid, length(data), first_index FROM chunk").fetchall()
    assert len(sizes) == 20
    chance, noticed = random.Random(6), 0
    for _ in range(40):
        rowid, size, first_index = chance.choice(sizes)
        bit = chance.randrange(8 * size)
        flip_bit(archive, rowid, bit)
        (finding,) = archive.verify([run.id])
        assert finding.run_id == run.id
        assert finding.where == f"samples {first_index} to {first_index + 249}"
        assert "CRC-32" in finding.what
        with pytest.raises(DamageError, match="hand-over copy"):
            archive.counts(run.id)
        noticed += 1
        flip_bit(archive, rowid, bit)
    assert noticed == 40
    assert archive.verify() == []


@pytest.mark.usefixtures("run")
def test_a_chunk_that_is_gone_leaves_a_hole(archive: Archive):
    harm(archive, "DELETE FROM chunk WHERE first_index = 250")
    whats = {finding.what for finding in archive.verify()}
    assert "missing without a recorded gap" in whats
    assert "1050 samples are stored, 1300 were recorded" in whats
    assert any(finding.where == "samples 250 to 499" for finding in archive.verify())


@pytest.mark.usefixtures("run")
def test_a_last_chunk_that_is_gone_is_missed_in_the_totals(archive: Archive):
    harm(archive, "DELETE FROM chunk WHERE first_index > 1024")
    whats = [finding.what for finding in archive.verify()]
    assert "1250 samples are stored, 1300 were recorded" in whats
    assert "1274 samples are stored or noted as lost, the board delivered 1324" in whats
    assert any("sha256" in what for what in whats)


@pytest.mark.usefixtures("run")
def test_a_gap_that_is_gone_leaves_a_hole(archive: Archive):
    harm(archive, "DELETE FROM gap")
    found = {finding.what: finding.where for finding in archive.verify()}
    assert found["missing without a recorded gap"] == "samples 1000 to 1023"
    assert any("sha256" in what for what in found)


@pytest.mark.usefixtures("run")
def test_a_gap_over_samples_is_an_overlap(archive: Archive):
    harm(archive, "UPDATE gap SET first_index = 900, count = 124")
    found = {finding.what: finding.where for finding in archive.verify()}
    assert found["a gap overlaps what comes before it"] == "samples 900 to 999"


@pytest.mark.usefixtures("run")
def test_a_gap_with_another_cause_breaks_the_seal(archive: Archive):
    harm(archive, "UPDATE gap SET uncertainty = 1")
    (finding,) = archive.verify()
    assert "sha256" in finding.what


def test_samples_put_in_place_of_others_break_the_seal(archive: Archive, run: Run):
    """A forged chunk with a fitting checksum: only the seal knows."""
    forged = codec.encode(counts_at(0, 250) + np.int32(1))
    statement = "UPDATE chunk SET data = ?, crc32 = ? WHERE first_index = 0"
    harm(archive, statement, forged, codec.checksum(forged))
    (finding,) = archive.verify()
    assert finding.run_id == run.id
    assert "sha256" in finding.what


@pytest.mark.usefixtures("run")
def test_a_wrong_count_and_an_unknown_codec_are_damage(archive: Archive):
    harm(archive, "UPDATE chunk SET count = 249 WHERE first_index = 0")
    assert "1000 bytes unpacked, 996 expected for 249 samples" in [found.what for found in archive.verify()]
    harm(archive, "UPDATE chunk SET count = 250, codec = 7 WHERE first_index = 0")
    (finding,) = archive.verify()
    assert finding.what == "codec 7 is unknown, this program reads codec 1"


def test_the_totals_of_the_board_are_held_against_what_is_stored(archive: Archive, shop: Workshop):
    """The board's total counts lost samples too: 100 stored, 3 lost by the converter, 10 on the link."""
    recording = archive.begin(shop.run(100))
    recording.append(0, counts_at(0, 100))
    recording.gap(Gap(recording.run.id, 100, 3, GapCause.CONVERTER, uncertainty=1))
    recording.gap(Gap(recording.run.id, 103, 10, GapCause.LINK))
    recording.finish(samples_total=113)
    assert archive.verify() == []
    harm(archive, "UPDATE run SET samples_total = 114")
    (finding,) = archive.verify()
    assert "the board delivered 114" in finding.what


@pytest.mark.usefixtures("run")
def test_a_reference_to_nowhere_is_found(archive: Archive):
    harm(archive, "UPDATE run SET tool_id = ?", fixed_id(99))
    (finding,) = archive.verify()
    assert (finding.run_id, finding.what) == (None, "a run refers to no tool that is there")


@pytest.mark.usefixtures("run")
def test_broken_pages_are_found(archive: Archive):
    """An index that lost a row is what SQLite's own check is for."""
    harm(archive, "PRAGMA writable_schema = ON")
    archive._connection.execute("DELETE FROM sqlite_master WHERE name = 'zero_by_run'")
    archive._connection.execute("PRAGMA writable_schema = RESET")
    findings = archive.verify()
    assert findings
    assert all(finding.run_id is None and finding.where == "pages of the file" for finding in findings)


@pytest.mark.usefixtures("run")
def test_a_finished_run_without_a_seal_is_found(archive: Archive):
    archive._connection.execute("PRAGMA ignore_check_constraints = ON")
    harm(archive, "UPDATE run SET seal = NULL")
    archive._connection.execute("PRAGMA ignore_check_constraints = OFF")
    assert "finished without a seal" in [finding.what for finding in archive.verify()]


def test_a_run_that_is_being_recorded_is_checked_as_far_as_it_is(archive: Archive, shop: Workshop):
    recording = archive.begin(shop.run(100))
    recording.append(0, counts_at(0, 600))
    assert archive.verify() == []
    harm(archive, "UPDATE chunk SET crc32 = 0 WHERE first_index = 250")
    assert [finding.where for finding in archive.verify()] == ["samples 250 to 499"]
    recording.interrupt("enough seen")


def test_an_orphan_with_a_damaged_chunk_is_closed_unsealed(archive: Archive, shop: Workshop, path):
    recording = archive.begin(shop.run(100))
    recording.append(0, counts_at(0, 600))
    harm(archive, "UPDATE chunk SET crc32 = 0 WHERE first_index = 250")
    recording.abandon()
    archive.close()
    with Archive.open(path) as again:
        run = again.get(Run, recording.run.id)
        assert (run.state, run.samples, run.seal) == (RunState.INTERRUPTED, 500, None)
        assert [finding.where for finding in again.verify()] == ["samples 250 to 499"]


@pytest.mark.usefixtures("run")
def test_blobs_can_be_harmed_at_all(archive: Archive):
    """The guards hold for statements; the bit flips above go past them, as a bad disk does."""
    with pytest.raises(sqlite3.IntegrityError, match="never changed"):
        archive._connection.execute("UPDATE chunk SET data = x'00'")
