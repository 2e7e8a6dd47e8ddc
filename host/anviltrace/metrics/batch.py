"""The results of many runs: those that were worked out before are found again, the rest share the processors.

Every result is kept as soon as it is there, so that whoever is stopped in the middle goes on where it was.
"""

from __future__ import annotations

import multiprocessing
import os
from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import Future, ProcessPoolExecutor, as_completed
from concurrent.futures.process import BrokenProcessPool
from dataclasses import dataclass
from pathlib import Path

from anviltrace.archive.archive import Archive
from anviltrace.archive.workedout import WorkedOut
from anviltrace.errors import AnalysisError
from anviltrace.metrics.evaluate import evaluate
from anviltrace.metrics.facts import Gatherer
from anviltrace.metrics.remembered import Outline, outline, recall, remember
from anviltrace.metrics.results import RunResult
from anviltrace.records import Run

Advance = Callable[[int, int], None]

WORTH_PROCESSES = 24
"""Fewer runs than this are done before another process has begun."""
_THREADS = ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS")


@dataclass(frozen=True, slots=True, kw_only=True)
class Manner:
    """How runs are worked out. ``jobs`` processes, None for as many as are worth it.

    With ``anew`` nothing that was kept is taken; what comes out is kept all the same.
    """

    named: str = ""
    anew: bool = False
    jobs: int | None = None


_PLAIN = Manner()


def evaluate_runs(
    archive: Archive, runs: Sequence[Run], manner: Manner = _PLAIN, advance: Advance | None = None
) -> list[RunResult]:
    """The results of ``runs`` in their order; ``advance`` hears how many of how many are done.

    Raises AnalysisError when a process dies, DamageError when samples do not agree with their checksum.
    """
    gatherer = Gatherer(archive, manner.named)
    done: dict[str, RunResult] = {}
    with WorkedOut(archive.path) as store:
        known = {run.id: outline(gatherer, run) for run in runs}
        if not manner.anew:
            done = dict(_recalled(store, known.values()))
        left = [run for run in runs if run.id not in done]
        for result in _worked_out(archive, gatherer, left, manner):
            made_from = known[result.context.run.id]
            if made_from is not None:
                remember(store, made_from, result)
            done[result.context.run.id] = result
            if advance is not None:
                advance(len(done), len(runs))
    return [done[run.id] for run in runs]


def _recalled(store: WorkedOut, known: Iterable[Outline | None]) -> Iterator[tuple[str, RunResult]]:
    for one in known:
        if one is not None and (result := recall(store, one)) is not None:
            yield one.run_id, result


def _worked_out(
    archive: Archive, gatherer: Gatherer, runs: Sequence[Run], manner: Manner
) -> Iterator[RunResult]:
    """Results as they come, in any order."""
    jobs = min(len(runs), manner.jobs or _processors())
    if jobs <= 1 or (manner.jobs is None and len(runs) < WORTH_PROCESSES):
        for run in runs:
            yield evaluate(gatherer.facts(run))
        return
    yield from _in_processes(archive.path, runs, manner.named, jobs)


def _processors() -> int:
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1


def _in_processes(path: Path, runs: Sequence[Run], named: str, jobs: int) -> Iterator[RunResult]:
    """Each process opens the archive for itself, and computes with one thread: they would only wait for
    each other."""
    spawn = multiprocessing.get_context("spawn")
    before = {name: os.environ.get(name) for name in _THREADS}
    os.environ.update(dict.fromkeys(_THREADS, "1"))
    done = 0
    try:
        with ProcessPoolExecutor(jobs, spawn, _open, (path, named)) as pool:
            waiting: list[Future[RunResult]] = [pool.submit(_work, run) for run in runs]
            try:
                for future in as_completed(waiting):
                    yield future.result()
                    done += 1
            finally:
                pool.shutdown(wait=False, cancel_futures=True)
    except BrokenProcessPool as error:
        raise AnalysisError(
            f"a process died when {done} of {len(runs)} runs were worked out (out of memory?): these are "
            "kept; run the command again, with --jobs 1 if it happens again"
        ) from error
    finally:
        _restore(before)


def _restore(before: dict[str, str | None]) -> None:
    for name, value in before.items():
        if value is None:
            os.environ.pop(name, None)
        else:
            os.environ[name] = value


_gatherer: Gatherer | None = None
"""That of this process, where it is one of several."""


def _open(path: Path, named: str) -> None:
    global _gatherer
    _gatherer = Gatherer(Archive.open(path, read_only=True), named)


def _work(run: Run) -> RunResult:
    assert _gatherer is not None
    return evaluate(_gatherer.facts(run))
