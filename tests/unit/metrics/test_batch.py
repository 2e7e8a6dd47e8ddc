"""Many runs: worked out once, found again, and anew when anything they were made from has changed."""

from __future__ import annotations

import multiprocessing
import shutil
import signal
import sqlite3
import time
from concurrent.futures import ProcessPoolExecutor
from contextlib import closing
from dataclasses import fields
from pathlib import Path

import numpy as np
import pytest
import recorded

from anviltrace.archive import Archive
from anviltrace.archive.workedout import WorkedOut
from anviltrace.errors import AnalysisError
from anviltrace.metrics import batch, remembered
from anviltrace.metrics.batch import Batch, Manner
from anviltrace.metrics.results import RunResult
from anviltrace.records import Decision, Run, RunKind, new_id


@pytest.fixture(scope="module")
def recorded_once(tmp_path_factory: pytest.TempPathFactory) -> Path:
    file = tmp_path_factory.mktemp("batch") / "bench.anviltrace"
    recorded.record(file, runs=3)
    return file


@pytest.fixture
def path(tmp_path: Path, recorded_once: Path) -> Path:
    """An archive with five runs of a tool."""
    return Path(shutil.copy(recorded_once, tmp_path))


def work(path: Path, manner: Manner | None = None) -> list[RunResult]:
    with Archive.open(path, read_only=True) as archive, Batch(archive, manner or Manner()) as many:
        return many.results(archive.all(Run, kind=RunKind.MEASUREMENT))


def kept(path: Path) -> int:
    with closing(sqlite3.connect(path)) as connection:
        found: int = connection.execute("SELECT count(*) FROM worked_out WHERE what = 'metrics'").fetchone()[
            0
        ]
        return found


def assert_same(one: RunResult, other: RunResult) -> None:
    for field in fields(RunResult):
        ours, theirs = getattr(one, field.name), getattr(other, field.name)
        if field.name == "blows" and ours is not None:
            for column in fields(ours):
                np.testing.assert_array_equal(getattr(ours, column.name), getattr(theirs, column.name))
        else:
            assert ours == theirs, field.name


@pytest.fixture
def counted(mocker):
    """Every evaluation in this process."""
    return mocker.spy(batch, "evaluate")


def test_the_second_time_nothing_is_worked_out(path: Path, counted):
    first = work(path)
    assert counted.call_count == len(first) == kept(path) == 5
    second = work(path)
    assert counted.call_count == 5
    for one, other in zip(first, second, strict=True):
        assert_same(one, other)


def test_anew_works_out_all_and_keeps_it(path: Path, counted):
    work(path)
    work(path, Manner(anew=True))
    assert counted.call_count == 10
    assert kept(path) == 5


def test_a_decision_concerns_one_run(path: Path, counted):
    run = work(path)[0].context.run
    with Archive.open(path) as archive:
        archive.put(Decision(new_id(), run.id, "discard", "wrong socket"))
    results = work(path)
    assert counted.call_count == 6
    assert results[0].context.decision is not None
    assert results[0].context.decision.reason == "wrong socket"


def test_other_code_works_out_all(path: Path, counted, mocker):
    work(path)
    mocker.patch.object(remembered, "code_hash", return_value="other code")
    work(path)
    assert counted.call_count == 10
    assert kept(path) == 5


def test_a_damaged_result_is_worked_out_anew(path: Path, counted):
    work(path)
    with closing(sqlite3.connect(path)) as connection, connection:
        connection.execute("UPDATE worked_out SET result = x'00' WHERE rowid = 1")
    work(path)
    assert counted.call_count == 6


def test_processes_give_the_same(path: Path, counted):
    alone = work(path)
    together = work(path, Manner(anew=True, jobs=2))
    assert counted.call_count == 5 + 2  # the other process is given three of the second five
    assert kept(path) == 5
    for one, other in zip(alone, together, strict=True):
        assert_same(one, other)


def test_the_other_process_keeps_what_it_did(path: Path, mocker):
    """Also where the first one is stopped while it works."""
    mocker.patch.object(batch, "evaluate", side_effect=lambda _facts: _interrupt_when(path, 3))
    with pytest.raises(KeyboardInterrupt):
        work(path, Manner(jobs=2))
    mocker.stopall()
    evaluate = mocker.spy(batch, "evaluate")
    work(path)
    assert evaluate.call_count == 2


def _interrupt_when(path: Path, runs: int) -> RunResult:
    """Stop this process once the other one has kept so many runs."""
    end_s = time.monotonic() + 60.0
    while kept(path) < runs and time.monotonic() < end_s:
        time.sleep(0.05)
    raise KeyboardInterrupt


def test_what_was_done_before_a_stop_is_kept(path: Path, mocker):
    calls = mocker.patch.object(batch, "evaluate", wraps=batch.evaluate)
    done = 0

    def stop_after_two(_facts):
        nonlocal done
        done += 1
        if done > 2:
            raise KeyboardInterrupt
        return mocker.DEFAULT

    calls.side_effect = stop_after_two
    with pytest.raises(KeyboardInterrupt):
        work(path)
    assert kept(path) == 2
    calls.side_effect = None
    calls.reset_mock()
    work(path)
    assert calls.call_count == 3


def test_a_process_that_dies_loses_nothing_that_was_done(path: Path, mocker):
    mocker.patch.object(batch, "_work", _die)
    with pytest.raises(AnalysisError, match=r"a process died when [1-5] runs were worked out"):
        work(path, Manner(jobs=2))
    assert kept(path) >= 1
    mocker.stopall()
    assert len(work(path)) == 5


def test_an_archive_that_may_only_be_read(path: Path, mocker):
    mocker.patch("anviltrace.archive.workedout.connect", side_effect=sqlite3.OperationalError("read only"))
    assert len(work(path)) == 5
    mocker.stopall()
    with WorkedOut(path):
        assert kept(path) == 0


def _die(_task: object) -> RunResult:
    import os

    os._exit(1)


def test_ctrl_c_is_not_heard_by_the_others(mocker):
    """A terminal sends it to all processes: whoever is still loading would print a traceback."""
    mocker.patch.object(batch, "_work", signal.getsignal)
    heard = signal.getsignal(signal.SIGINT)
    with ProcessPoolExecutor(1, multiprocessing.get_context("spawn")) as pool:
        assert batch._give(pool, signal.SIGINT).result() == signal.SIG_IGN
    assert signal.getsignal(signal.SIGINT) == heard
