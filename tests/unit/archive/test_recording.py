"""Chunks of a quarter of a second, never across a gap; acknowledged is committed; the lock."""

from __future__ import annotations

import os
import subprocess
import sys
import threading
import time
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from workshop import Workshop, counts_at, fixed_id, workshop

from anviltrace.archive import Archive, Recording, lock
from anviltrace.archive.seal import seal_of
from anviltrace.errors import ArchiveError, RecordError
from anviltrace.records import Gap, GapCause, Notice, Run, RunState, Tool


def chunk_bounds(archive: Archive, run_id: str) -> list[tuple[int, int]]:
    rows = archive._connection.execute(
        "SELECT first_index, count FROM chunk WHERE run_id = ? ORDER BY first_index", (run_id,)
    )
    return rows.fetchall()


def record_and_slip(recording: Recording) -> None:
    with recording:
        recording.append(0, counts_at(0, 10))
        raise KeyError("slipped")


def fill_the_disk(recording: Recording) -> None:
    while recording.next_index < 100_000:
        recording.append(recording.next_index, counts_at(recording.next_index, 250))


def test_blocks_are_gathered_to_quarter_seconds(archive: Archive, shop: Workshop):
    """At 1,000 samples a second a chunk has 250."""
    recording = archive.begin(shop.run(100))
    acknowledged = []
    for first in range(0, 640, 64):
        recording.append(first, counts_at(first, 64))
        acknowledged.append(recording.acknowledged_index)
    assert acknowledged == [0, 0, 0, 250, 250, 250, 250, 500, 500, 500]
    assert recording.next_index == 640
    recording.finish()
    assert chunk_bounds(archive, recording.run.id) == [(0, 250), (250, 250), (500, 140)]
    np.testing.assert_array_equal(archive.counts(recording.run.id), counts_at(0, 640))


def test_a_long_append_becomes_many_chunks(archive: Archive, shop: Workshop):
    recording = archive.begin(shop.run(100))
    recording.append(0, counts_at(0, 1001))
    assert recording.acknowledged_index == 1000
    recording.flush()
    assert chunk_bounds(archive, recording.run.id)[-1] == (1000, 1)
    recording.finish()


def test_slow_converters_get_chunks_too(path: Path):
    """At 10 samples a second a quarter of a second is two and a half samples."""
    slow = workshop(rate_hz=10.0)
    with Archive.open(path, create=True) as archive:
        slow.put_into(archive)
        recording = archive.begin(slow.run(100))
        recording.append(0, counts_at(0, 5))
        assert recording.acknowledged_index == 4
        recording.finish()


def test_a_chunk_ends_at_a_gap(archive: Archive, shop: Workshop):
    recording = archive.begin(shop.run(100))
    recording.append(0, counts_at(0, 100))
    recording.gap(Gap(recording.run.id, 100, 7, GapCause.CONVERTER, uncertainty=1))
    assert recording.acknowledged_index == 107
    recording.append(107, counts_at(107, 50))
    run = recording.finish()
    assert chunk_bounds(archive, run.id) == [(0, 100), (107, 50)]
    assert run.samples == 150


def test_the_first_samples_may_be_missing(archive: Archive, shop: Workshop):
    recording = archive.begin(shop.run(100))
    recording.gap(Gap(recording.run.id, 0, 256, GapCause.LINK))
    recording.append(256, counts_at(256, 3))
    recording.finish(samples_total=259)
    assert archive.verify() == []


@settings(max_examples=25, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(lengths=st.lists(st.integers(-90, 700), max_size=12), number=st.integers(1000, 2**40))
def test_any_cutting_and_any_gaps_come_back(archive: Archive, shop: Workshop, lengths, number):
    """Negative lengths are gaps."""
    if archive.all(Run, id=fixed_id(number)):
        return
    recording, expected, index = archive.begin(shop.run(number)), [], 0
    for length in lengths:
        if length < 0:
            recording.gap(Gap(recording.run.id, index, -length, GapCause.LINK))
        else:
            recording.append(index, counts_at(index, length))
            expected.append(counts_at(index, length))
        index += abs(length)
    run = recording.finish(samples_total=index)
    np.testing.assert_array_equal(archive.counts(run.id), np.concatenate([*expected, []]))
    assert archive.verify([run.id]) == []


def test_acknowledged_samples_can_be_read_by_others(archive: Archive, shop: Workshop, path: Path):
    recording = archive.begin(shop.run(100))
    recording.append(0, counts_at(0, 300))
    with Archive.open(path, read_only=True) as reader:
        assert reader.get(Run, recording.run.id).state is RunState.RECORDING
        np.testing.assert_array_equal(reader.counts(recording.run.id), counts_at(0, 250))
    recording.finish()


def test_the_buffer_of_the_caller_may_be_used_again(archive: Archive, shop: Workshop):
    recording = archive.begin(shop.run(100))
    block = np.array([1, 2, 3], np.int32)
    recording.append(0, block)
    block[:] = 0
    assert archive.counts(recording.finish().id).tolist() == [1, 2, 3]


def test_narrow_integers_are_taken_and_others_refused(archive: Archive, shop: Workshop):
    recording = archive.begin(shop.run(100))
    recording.append(0, np.array([-5, 7], np.int16))
    for samples in (np.array([1.5]), np.array([2**40])):
        with pytest.raises(TypeError):
            recording.append(2, samples)
    with pytest.raises(TypeError, match=r"shape \(2, 2\)"):
        recording.append(2, np.zeros((2, 2), np.int32))
    assert archive.counts(recording.finish().id).tolist() == [-5, 7]


def test_samples_out_of_order_are_refused(archive: Archive, shop: Workshop):
    recording = archive.begin(shop.run(100))
    recording.append(0, counts_at(0, 10))
    with pytest.raises(RecordError, match=r"sample 9 .* came again: the next one is 10"):
        recording.append(9, counts_at(9, 1))
    with pytest.raises(RecordError, match=r"samples 10 to 11 .* are missing: note the gap"):
        recording.append(12, counts_at(12, 1))
    with pytest.raises(RecordError, match="came again"):
        recording.gap(Gap(recording.run.id, 5, 5, GapCause.LINK))
    with pytest.raises(RecordError, match="was given to the recording of run"):
        recording.gap(Gap(fixed_id(99), 10, 5, GapCause.LINK))
    assert recording.finish().samples == 10


def test_finish_seals_and_fills_in(archive: Archive, shop: Workshop):
    recording = archive.begin(shop.run(100))
    recording.append(0, counts_at(0, 300))
    gap = Gap(recording.run.id, 300, 4, GapCause.LINK)
    recording.gap(gap)
    run = recording.finish(samples_total=304, rate_hz=999.7, onset_index=12, end_reason="as planned")
    assert run == archive.get(Run, run.id) == recording.run
    assert (run.state, run.samples, run.samples_total) == (RunState.FINISHED, 300, 304)
    assert (run.rate_hz, run.onset_index, run.end_reason) == (999.7, 12, "as planned")
    assert run.seal == seal_of([counts_at(0, 300)], [gap])
    assert run.ended_at is not None
    assert run.ended_at.endswith("Z")


def test_interrupt_keeps_everything_and_says_why(archive: Archive, shop: Workshop):
    recording = archive.begin(shop.run(100))
    recording.append(0, counts_at(0, 300))
    run = recording.interrupt("cable came off", ended_at="2026-05-04T08:16:00.000Z")
    assert (run.state, run.end_reason, run.samples) == (RunState.INTERRUPTED, "cable came off", 300)
    assert run.ended_at == "2026-05-04T08:16:00.000Z"
    assert run.seal is not None
    assert archive.verify() == []


def test_an_ended_recording_takes_nothing_more(archive: Archive, shop: Workshop):
    recording = archive.begin(shop.run(100))
    recording.finish()
    for more in (
        lambda: recording.append(0, counts_at(0, 1)),
        recording.flush,
        recording.finish,
        lambda: recording.notice("text", "too late"),
        lambda: recording.gap(Gap(recording.run.id, 0, 1, GapCause.LINK)),
    ):
        with pytest.raises(RecordError, match="has ended"):
            more()


@pytest.mark.parametrize("name", ["seal", "samples", "state", "id", "first_index"])
def test_what_the_archive_works_out_is_not_the_callers_to_say(archive: Archive, shop: Workshop, name: str):
    recording = archive.begin(shop.run(100))
    with pytest.raises(TypeError, match=f"{name} of a run is not set"):
        recording.finish(**{name: 1})
    recording.finish()


def test_a_run_begins_in_the_state_recording(archive: Archive, shop: Workshop):
    with pytest.raises(ValueError, match="is finished"):
        archive.begin(shop.run(100, state=RunState.FINISHED))


def test_notices_carry_the_index_they_came_at(archive: Archive, shop: Workshop):
    recording = archive.begin(shop.run(100))
    recording.append(0, counts_at(0, 10))
    recording.notice("text", "MemoryError")
    recording.notice("damaged frames", "2", at_index=4)
    found = [(notice.at_index, notice.kind, notice.text) for notice in archive.notices(recording.run.id)]
    assert found == [(10, "text", "MemoryError"), (4, "damaged frames", "2")]
    assert isinstance(archive.notices(recording.run.id)[0], Notice)
    recording.finish()


def test_left_by_an_error_the_run_is_interrupted(archive: Archive, shop: Workshop):
    recording = archive.begin(shop.run(100))
    with pytest.raises(KeyError):
        record_and_slip(recording)
    run = archive.get(Run, recording.run.id)
    assert (run.state, run.samples) == (RunState.INTERRUPTED, 10)
    assert run.end_reason == "stopped by KeyError: 'slipped'"


def test_a_finished_recording_is_left_alone(archive: Archive, shop: Workshop):
    with archive.begin(shop.run(100)) as recording:
        recording.finish()
    assert archive.get(Run, recording.run.id).state is RunState.FINISHED


def test_closing_the_archive_interrupts(archive: Archive, shop: Workshop, path: Path):
    recording = archive.begin(shop.run(100))
    recording.append(0, counts_at(0, 10))
    archive.close()
    with Archive.open(path) as again:
        run = again.get(Run, recording.run.id)
        assert (run.state, run.samples) == (RunState.INTERRUPTED, 10)
        assert "archive was closed" in run.end_reason


def test_only_one_records_at_a_time(archive: Archive, shop: Workshop, path: Path, monkeypatch):
    monkeypatch.setattr("anviltrace.archive.recording.LOCK_WAIT_S", 0.02)
    with Archive.open(path) as second, archive.begin(shop.run(100)) as recording:
        for other in (archive, second):
            with pytest.raises(ArchiveError, match=f"process {os.getpid()} is recording into"):
                other.begin(shop.run(101))
        assert second.get(Run, recording.run.id).state is RunState.RECORDING
        recording.finish()
        second.begin(shop.run(101)).finish()
    assert not lock.lock_path(path).exists()


def test_a_failed_begin_gives_the_lock_back(archive: Archive, shop: Workshop, path: Path):
    with pytest.raises(ArchiveError):
        archive.begin(shop.run(100, settings_id=fixed_id(99)))
    assert not lock.is_held(path)
    archive.begin(shop.run(100)).finish()


def test_records_can_be_put_while_recording(archive: Archive, shop: Workshop):
    recording = archive.begin(shop.run(100))
    recording.append(0, counts_at(0, 250))
    archive.put(Tool(fixed_id(40), "Spare Shunter"))
    recording.append(250, counts_at(250, 250))
    assert recording.finish().samples == 500


def test_a_recording_may_be_fed_from_another_thread(archive: Archive, shop: Workshop):
    recording = archive.begin(shop.run(100))
    feeder = threading.Thread(
        target=lambda: [recording.append(i, counts_at(i, 50)) for i in range(0, 500, 50)]
    )
    feeder.start()
    while feeder.is_alive():
        archive.counts(recording.run.id)
    feeder.join()
    assert recording.finish().samples == 500


def test_a_full_disk_loses_nothing(archive: Archive, shop: Workshop):
    """The disk is filled by a limit on the pages of the file; lifting it is making room."""
    recording = archive.begin(shop.run(100))
    recording.append(0, counts_at(0, 250))
    pages = recording._connection.execute("PRAGMA page_count").fetchone()[0]
    recording._connection.execute(f"PRAGMA max_page_count = {pages + 4}")
    with pytest.raises(ArchiveError, match=r"no room left .* what was acknowledged is safe"):
        fill_the_disk(recording)
    acknowledged, taken = recording.acknowledged_index, recording.next_index
    assert 250 <= acknowledged < taken
    np.testing.assert_array_equal(archive.counts(recording.run.id), counts_at(0, acknowledged))
    with pytest.raises(ArchiveError, match="no room left"):
        recording.finish()
    recording._connection.execute("PRAGMA max_page_count = 1000000")
    run = recording.finish()
    np.testing.assert_array_equal(archive.counts(run.id), counts_at(0, taken))
    assert archive.verify() == []


def test_a_disk_full_to_the_end_still_gives_the_lock_back(archive: Archive, shop: Workshop, path: Path):
    recording = archive.begin(shop.run(100))
    recording.append(0, counts_at(0, 250))
    recording._connection.execute("PRAGMA max_page_count = 1")
    with pytest.raises(ArchiveError, match="no room left"):
        fill_the_disk(recording)
    with pytest.raises(ArchiveError, match="no room left"):
        archive.close()
    with Archive.open(path) as again:
        run = again.get(Run, recording.run.id)
        assert run.state is RunState.INTERRUPTED
        np.testing.assert_array_equal(again.counts(run.id), counts_at(0, run.samples))
        assert run.samples >= 250


def test_the_lock_ends_with_its_process(path: Path):
    """A process that is killed leaves the file of the lock behind, but not the lock."""
    code = (
        "import sys, pathlib; from anviltrace.archive import lock;"
        "held = lock.acquire(pathlib.Path(sys.argv[1]), 1); print('held', flush=True); sys.stdin.read()"
    )
    with subprocess.Popen(
        [sys.executable, "-c", code, str(path)], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    ) as process:
        assert process.stdout is not None
        assert process.stdout.readline() == "held\n"
        assert lock.is_held(path)
        assert lock.acquire(path, 0.0) is None
        assert lock.holder(path) == f"process {process.pid}"
        process.kill()
    assert lock.lock_path(path).exists()
    assert not lock.is_held(path)
    held = lock.acquire(path, 0.0)
    assert held is not None
    held.release()
    held.release()
    assert not lock.lock_path(path).exists()


def test_the_lock_is_never_had_twice(tmp_path: Path):
    """Threads that take and give back at once: the removed file of one must not serve another."""
    path, inside, worst = tmp_path / "x", [], []

    def take_turns() -> None:
        for _ in range(60):
            held = lock.acquire(path, 10.0)
            assert held is not None
            inside.append(1)
            time.sleep(0.0001)
            worst.append(len(inside))
            inside.pop()
            held.release()

    threads = [threading.Thread(target=take_turns) for _ in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert len(worst) == 240
    assert max(worst) == 1
