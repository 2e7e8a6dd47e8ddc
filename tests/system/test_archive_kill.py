"""A recording process killed at any moment, and a write-ahead log cut at any length."""

from __future__ import annotations

import os
import random
import shutil
import subprocess
import sys
import time
from pathlib import Path
from typing import BinaryIO, cast

import numpy as np
import pytest
import record_until_killed
from workshop import Workshop, counts_at, fixed_id, workshop

from anviltrace.archive import Archive
from anviltrace.archive.orphans import ORPHANED
from anviltrace.errors import DamageError
from anviltrace.records import Run, RunState

KILLS = 40
CHILD = Path(record_until_killed.__file__)


def start(path: Path, number: int) -> subprocess.Popen[bytes]:
    """A recording process that waits for the word to open the archive."""
    environment = os.environ | {"OPENBLAS_NUM_THREADS": "1"}
    command = [sys.executable, str(CHILD), str(path), str(number)]
    return subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, env=environment)


def give_the_word(child: subprocess.Popen[bytes]) -> BinaryIO:
    """Let it open the archive; the pipe on which it acknowledges."""
    assert child.stdin is not None
    assert child.stdout is not None
    assert child.stdout.readline() == b"\n"
    child.stdin.write(b"\n")
    child.stdin.flush()
    return cast(BinaryIO, child.stdout)


def begin_and_kill(child: subprocess.Popen[bytes], appends: int, delay_s: float) -> int:
    """Kill it ``delay_s`` after so many appends; the index up to which it acknowledged samples."""
    with child:
        said = give_the_word(child)
        lines = [said.readline() for _ in range(appends)]
        time.sleep(delay_s)
        child.kill()
        lines += said.readlines()
    whole = [line for line in lines if line.endswith(b"\n")]
    assert len(whole) >= appends
    return int(whole[-1]) if whole else 0


def assert_consistent(archive: Archive, run: Run, acknowledged: int) -> None:
    """The run is closed, holds all that was acknowledged, and holds nothing that was not sent."""
    assert (run.state, run.end_reason) == (RunState.INTERRUPTED, ORPHANED)
    gaps = archive.gaps(run.id)
    pieces = archive.pieces(run.id)
    stored = sum(len(counts) for _, counts in pieces) + sum(gap.count for gap in gaps)
    assert stored >= acknowledged
    for first, counts in pieces:
        np.testing.assert_array_equal(counts, counts_at(first, len(counts)))
    assert archive.verify([run.id]) == []


def test_forty_kills_lose_nothing_acknowledged(tmp_path: Path):
    """Every fourth kill falls into the opening, some of them into the making of an archive."""
    chance, total = random.Random(40), 0
    paths = [tmp_path / f"bench-{kill // 8}.anviltrace" for kill in range(KILLS)]
    waiting = start(paths[0], 1000)
    for kill, path in enumerate(paths):
        child = waiting
        if kill + 1 < KILLS:
            waiting = start(paths[kill + 1], 1001 + kill)
        appends, longest_s = (chance.randrange(1, 50), 0.005) if kill % 4 else (0, 0.03)
        acknowledged = begin_and_kill(child, appends, chance.uniform(0, longest_s))
        with Archive.open(path, create=True) as archive:
            runs = archive.all(Run, id=fixed_id(1000 + kill))
            assert runs or acknowledged == 0
            for run in runs:
                assert_consistent(archive, run, acknowledged)
        total += acknowledged
    assert total > KILLS * 7500
    for path in set(paths):
        with Archive.open(path, read_only=True) as archive:
            assert archive.verify() == []


def test_a_reader_meanwhile_sees_whole_chunks_and_no_interruption(tmp_path: Path):
    path = tmp_path / "bench.anviltrace"
    with start(path, 1000) as child:
        try:
            said = give_the_word(child)
            while int(said.readline()) < 3 * 7500:
                pass
            seen = watch(path)
        finally:
            child.kill()
    assert seen == sorted(seen)
    assert 0 < seen[0] < seen[-1]


def watch(path: Path) -> list[int]:
    """Read a run again and again while another process records it; the number of samples seen each time."""
    seen = []
    with Archive.open(path, read_only=True) as archive:
        for _ in range(6):
            (run,) = archive.all(Run)
            assert run.state is RunState.RECORDING
            pieces = archive.pieces(run.id)
            for first, counts in pieces:
                np.testing.assert_array_equal(counts, counts_at(first, len(counts)))
            seen.append(sum(len(counts) for _, counts in pieces))
        assert archive.verify() == []
    return seen


@pytest.fixture
def shop() -> Workshop:
    return workshop(30_000.0)


def frozen(path: Path, target: Path) -> tuple[Path, Path]:
    """Archive and log as they lie on the disk at this moment, as a power cut would leave them."""
    target.mkdir()
    log = path.with_name(path.name + "-wal")
    return Path(shutil.copy(path, target)), Path(shutil.copy(log, target))


def record(archive: Archive, shop: Workshop, number: int, chunks: int) -> Run:
    recording = archive.begin(shop.run(number))
    for chunk in range(chunks):
        recording.append(7500 * chunk, counts_at(7500 * chunk, 7500))
    return recording.finish(samples_total=7500 * chunks)


def test_a_torn_log_leaves_a_consistent_beginning(tmp_path: Path, shop: Workshop):
    """Cut at forty random lengths: the archive opens, each run is a prefix of whole chunks, or finished."""
    with Archive.open(tmp_path / "bench.anviltrace", create=True) as archive:
        shop.put_into(archive)
        runs = [record(archive, shop, number, chunks=12) for number in (100, 101)]
        path, log = frozen(archive.path, tmp_path / "frozen")
    whole, main, chance = log.read_bytes(), path.read_bytes(), random.Random(12)
    lengths = [0, len(whole), *(chance.randrange(len(whole)) for _ in range(38))]
    survived = []
    for length in lengths:
        path.write_bytes(main)
        log.write_bytes(whole[:length])
        with Archive.open(path) as torn:
            survived.append([check_prefix(torn, run) for run in runs])
            assert torn.verify() == []
    assert survived[:2] == [[0, 0], [90_000, 90_000]]
    assert sum(first == 90_000 > second for first, second in survived) > 5
    assert [pair for _, pair in sorted(zip(lengths, survived, strict=True))] == sorted(survived)


def check_prefix(archive: Archive, run: Run) -> int:
    """How many samples of a run are left; all of them if it is shown as finished."""
    found = archive.all(Run, id=run.id)
    if not found:
        return 0
    counts = archive.counts(run.id)
    assert len(counts) == found[0].samples
    np.testing.assert_array_equal(counts, counts_at(0, len(counts)))
    assert found[0] == run if found[0].state is RunState.FINISHED else len(counts) % 7500 == 0
    return len(counts)


def test_a_log_torn_after_part_of_it_was_moved_never_lies(tmp_path: Path, shop: Workshop):
    """Pages newer than the log that is left: what opens is right, or the damage is noticed.

    No power cut leaves such files, since SQLite brings the log to the disk before it moves pages; a copy
    made by hand while the archive was in use does.
    """
    with Archive.open(tmp_path / "bench.anviltrace", create=True) as archive:
        shop.put_into(archive)
        runs = [record(archive, shop, 100, chunks=8)]
        archive._connection.execute("PRAGMA wal_checkpoint(PASSIVE)")
        runs.append(record(archive, shop, 101, chunks=8))
        _, log = frozen(archive.path, tmp_path / "frozen")
        archive._connection.execute("PRAGMA wal_checkpoint(PASSIVE)")
        path = Path(shutil.copy(archive.path, tmp_path / "frozen"))
    whole, main, chance = log.read_bytes(), path.read_bytes(), random.Random(13)
    noticed = 0
    for length in (chance.randrange(len(whole)) for _ in range(40)):
        path.write_bytes(main)
        log.write_bytes(whole[:length])
        noticed += not is_right(path, runs)
    assert noticed < 40


def is_right(path: Path, runs: list[Run]) -> bool:
    """Whether an archive has no damage; what it then says is compared with what was recorded."""
    try:
        with Archive.open(path) as archive:
            if archive.verify():
                return False
            for run in runs:
                check_prefix(archive, run)
            return True
    except DamageError:
        return False


def test_a_finished_run_that_lost_its_end_is_noticed(tmp_path: Path, shop: Workshop):
    """The file of the archive cut at random page boundaries, with the header made to agree."""
    path = tmp_path / "bench.anviltrace"
    with Archive.open(path, create=True) as archive:
        shop.put_into(archive)
        run = record(archive, shop, 100, chunks=20)
    whole, chance = path.read_bytes(), random.Random(14)
    pages = len(whole) // 4096
    for left in chance.sample(range(pages // 2, pages), 20):
        header = bytearray(whole[: 4096 * left])
        header[28:32] = left.to_bytes(4, "big")  # SQLite file format: size of the database in pages
        path.write_bytes(header)
        assert not is_right(path, [run])
