"""The results of many runs: those that were worked out before are found again, the rest share the processors.

Every result is kept as soon as it is there, by the process that worked it out, so that whoever is stopped in
the middle goes on where it was.
"""

from __future__ import annotations

import multiprocessing
import os
import signal
import threading
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool
from dataclasses import dataclass
from itertools import chain, islice
from pathlib import Path
from types import TracebackType
from typing import Self

from anviltrace.archive.archive import Archive
from anviltrace.archive.workedout import WorkedOut
from anviltrace.errors import AnalysisError
from anviltrace.memory import keep_memory
from anviltrace.metrics.evaluate import evaluate
from anviltrace.metrics.facts import Gatherer, RunFacts
from anviltrace.metrics.remembered import Outline, outline, pack, recall, remember
from anviltrace.metrics.results import RunResult
from anviltrace.onethread import environment_of_workers
from anviltrace.records import Run
from anviltrace.trace.kernels import compile_them

Advance = Callable[[int, int], None]
Task = tuple[RunFacts, Outline | None]
"""A run without its samples, and what its result will be made from, where that can be kept."""

WORTH_PROCESSES = 60
"""Fewer runs than this are done before another process has begun, or Numba is loaded."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Manner:
    """How runs are worked out. ``jobs`` processes, this one included, None for as many as are worth it.

    ``named``, ``thresholds_nm`` and ``filter_name`` are handed to :class:`Gatherer`.

    With ``anew`` nothing that was kept is taken; what comes out is kept all the same.
    """

    named: str = ""
    thresholds_nm: tuple[float, ...] = ()
    filter_name: str = ""
    anew: bool = False
    jobs: int | None = None

    def gatherer(self, archive: Archive) -> Gatherer:
        """Gathers what is to be worked out so."""
        return Gatherer(archive, self.named, self.thresholds_nm, self.filter_name)


_PLAIN = Manner()

_AHEAD = 3
"""Runs that each other process has to do at any time: enough that none waits while this one is at a long
run, few enough that this one does not wait for the others in the end."""


class Batch:
    """Works out runs of one archive, and keeps what comes out. Close it, or use it as a context manager.

    Raises what :class:`Gatherer` does.
    """

    def __init__(self, archive: Archive, manner: Manner = _PLAIN) -> None:
        self.gatherer = manner.gatherer(archive)
        self._path, self._manner = archive.path, manner
        self._store = WorkedOut(archive.path)

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, traceback: TracebackType | None
    ) -> None:
        self._store.close()

    def results(self, runs: Sequence[Run], advance: Advance | None = None) -> list[RunResult]:
        """The results of ``runs`` in their order; ``advance`` hears how many of how many are done.

        Raises AnalysisError when a process dies, DamageError when samples do not agree with their checksum.
        """
        done: dict[str, RunResult] = {}
        for result in self._worked_out(self._left(runs, done), len(runs)):
            done[result.context.run.id] = result
            if advance is not None:
                advance(len(done), len(runs))
        return [done[run.id] for run in runs]

    def _left(self, runs: Sequence[Run], done: dict[str, RunResult]) -> Iterator[Task]:
        """The runs that have to be worked out; fills ``done`` with the others."""
        for run in runs:
            facts = self.gatherer.without_samples(run)
            known = self._outline(facts)
            recalled = self._recall(known)
            if recalled is None:
                yield facts, known
            else:
                done[run.id] = recalled

    def result(self, facts: RunFacts) -> RunResult:
        """The result of one run from these facts without samples, which may differ from the archive's."""
        known = self._outline(facts)
        return self._recall(known) or self._work_out((facts, known))

    def _outline(self, facts: RunFacts) -> Outline | None:
        return outline(facts, self.gatherer.seals(facts.context.run))

    def _recall(self, known: Outline | None) -> RunResult | None:
        return None if known is None or self._manner.anew else recall(self._store, known)

    def _work_out(self, task: Task) -> RunResult:
        return _work_out(self.gatherer, self._store, task)

    def _worked_out(self, left: Iterator[Task], most: int) -> Iterator[RunResult]:
        """Results as they come, in any order, of the runs that are left, ``most`` at the most."""
        jobs = min(most, self._manner.jobs or _processors())
        few = list(islice(left, WORTH_PROCESSES))
        many = len(few) == WORTH_PROCESSES
        left = chain(few, left)
        if many:
            _make_ready()
        if jobs <= 1 or (self._manner.jobs is None and not many):
            yield from map(self._work_out, left)
        else:
            yield from self._with_others(left, jobs - 1, many)

    def _with_others(self, left: Iterator[Task], others: int, many: bool) -> Iterator[RunResult]:
        """Results of this process and as many ``others``, which read samples and keep results themselves.

        Each computes with one thread: more would only wait for each other. All else about a run is looked
        up here.
        """
        spawn = multiprocessing.get_context("spawn")
        opened = self._path, self._manner, many
        done = 0
        try:
            with environment_of_workers(), ProcessPoolExecutor(others, spawn, _open, opened) as pool:
                try:
                    for result in self._shared_out(left, pool, _AHEAD * others):
                        done += 1
                        yield result
                finally:
                    pool.shutdown(wait=False, cancel_futures=True)
        except BrokenProcessPool as error:
            raise AnalysisError(
                f"a process died when {done} runs were worked out (out of memory?): these are kept; run the "
                "command again, with --jobs 1 if it happens again"
            ) from error

    def _shared_out(self, left: Iterator[Task], pool: ProcessPoolExecutor, ahead: int) -> Iterator[RunResult]:
        """The others have ``ahead`` runs to do while there are any; meanwhile this process does one."""
        given: set[Future[RunResult]] = set()
        for own in left:
            given.update(_give(pool, task) for task in islice(left, ahead - len(given)))
            yield self._work_out(own)
            ended = {one for one in given if one.done()}
            yield from _results(ended)
            given -= ended
        while given:
            ended, given = wait(given, return_when=FIRST_COMPLETED)
            yield from _results(ended)


def _give(pool: ProcessPoolExecutor, task: Task) -> Future[RunResult]:
    """A process that this begins does not hear Ctrl-C, which a terminal sends to all: this one ends it."""
    if threading.current_thread() is not threading.main_thread():
        return pool.submit(_work, task)
    heard = signal.signal(signal.SIGINT, signal.SIG_IGN)
    try:
        return pool.submit(_work, task)
    finally:
        signal.signal(signal.SIGINT, heard)


def _processors() -> int:
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1


def _make_ready() -> None:
    """What many runs are worth."""
    compile_them()
    keep_memory()


def _results(ended: set[Future[RunResult]]) -> Iterator[RunResult]:
    return (one.result() for one in ended)


def _work_out(gatherer: Gatherer, store: WorkedOut, task: Task) -> RunResult:
    """Evaluate a run and keep what comes out; committed when this returns."""
    facts, known = task
    result = evaluate(gatherer.with_samples(facts))
    if known is not None:
        remember(store, known, pack(result))
    return result


_bench: tuple[Gatherer, WorkedOut] | None = None
"""What this process works with, where it is one of the others."""


def _open(path: Path, manner: Manner, many: bool) -> None:
    global _bench
    _bench = manner.gatherer(Archive.open(path, read_only=True)), WorkedOut(path)
    if many:
        _make_ready()


def _work(task: Task) -> RunResult:
    assert _bench is not None
    return _work_out(*_bench, task)
