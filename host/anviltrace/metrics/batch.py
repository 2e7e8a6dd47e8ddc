"""The results of many runs: those that were worked out before are found again, the rest share the processors.

Every result is kept as soon as it is there, so that whoever is stopped in the middle goes on where it was.
"""

from __future__ import annotations

import multiprocessing
import os
from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import Future, ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from dataclasses import dataclass
from itertools import chain, islice
from pathlib import Path
from queue import SimpleQueue
from types import TracebackType
from typing import Self

from anviltrace.archive.archive import Archive
from anviltrace.archive.workedout import WorkedOut
from anviltrace.errors import AnalysisError
from anviltrace.metrics.evaluate import evaluate
from anviltrace.metrics.facts import Gatherer, RunFacts
from anviltrace.metrics.remembered import Outline, outline, pack, recall, remember
from anviltrace.metrics.results import RunResult
from anviltrace.onethread import environment_of_workers
from anviltrace.records import Run
from anviltrace.trace.kernels import compile_them

Advance = Callable[[int, int], None]
Packed = tuple[RunResult, bytes]
"""A result, and the same as it is kept: whoever works it out packs it."""

WORTH_PROCESSES = 60
"""Fewer runs than this are done before another process has begun, or Numba is loaded."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Manner:
    """How runs are worked out. ``jobs`` processes, None for as many as are worth it.

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
        known: dict[str, Outline | None] = {}
        done: dict[str, RunResult] = {}
        for result, packed in self._worked_out(self._left(runs, known, done), len(runs)):
            run_id = result.context.run.id
            self._remember(known[run_id], packed)
            done[run_id] = result
            if advance is not None:
                advance(len(done), len(runs))
        return [done[run.id] for run in runs]

    def _left(
        self, runs: Sequence[Run], known: dict[str, Outline | None], done: dict[str, RunResult]
    ) -> Iterator[RunFacts]:
        """The runs that have to be worked out, without their samples; fills ``known``, and ``done`` with the
        others."""
        for run in runs:
            facts = self.gatherer.without_samples(run)
            known[run.id] = self._outline(facts)
            recalled = self._recall(known[run.id])
            if recalled is None:
                yield facts
            else:
                done[run.id] = recalled

    def result(self, facts: RunFacts) -> RunResult:
        """The result of one run from these facts without samples, which may differ from the archive's."""
        known = self._outline(facts)
        recalled = self._recall(known)
        if recalled is not None:
            return recalled
        result = evaluate(self.gatherer.with_samples(facts))
        self._remember(known, pack(result))
        return result

    def _outline(self, facts: RunFacts) -> Outline | None:
        return outline(facts, self.gatherer.seals(facts.context.run))

    def _recall(self, known: Outline | None) -> RunResult | None:
        return None if known is None or self._manner.anew else recall(self._store, known)

    def _remember(self, known: Outline | None, packed: bytes) -> None:
        if known is not None:
            remember(self._store, known, packed)

    def _worked_out(self, left: Iterator[RunFacts], most: int) -> Iterator[Packed]:
        """Results as they come, in any order, of runs without their samples, ``most`` at the most."""
        jobs = min(most, self._manner.jobs or _processors())
        few = list(islice(left, WORTH_PROCESSES))
        many = len(few) == WORTH_PROCESSES
        if jobs <= 1 or (self._manner.jobs is None and not many):
            if many:
                compile_them()
            for facts in chain(few, left):
                result = evaluate(self.gatherer.with_samples(facts))
                yield result, pack(result)
            return
        yield from _in_processes(self._path, chain(few, left), self._manner, jobs, many)


def _processors() -> int:
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1


def _in_processes(
    path: Path, left: Iterable[RunFacts], manner: Manner, jobs: int, many: bool
) -> Iterator[Packed]:
    """Each process reads samples for itself, and computes with one thread: they would only wait for each
    other. All else about a run is looked up once, here, while they work on those before it."""
    spawn = multiprocessing.get_context("spawn")
    begun = done = 0
    ended: SimpleQueue[Future[Packed]] = SimpleQueue()
    try:
        with (
            environment_of_workers(),
            ProcessPoolExecutor(jobs, spawn, _open, (path, manner, many)) as pool,
        ):
            try:
                for facts in left:
                    pool.submit(_work, facts).add_done_callback(ended.put)
                    begun += 1
                    while not ended.empty():
                        yield ended.get().result()
                        done += 1
                while done < begun:
                    yield ended.get().result()
                    done += 1
            finally:
                pool.shutdown(wait=False, cancel_futures=True)
    except BrokenProcessPool as error:
        raise AnalysisError(
            f"a process died when {done} runs were worked out (out of memory?): these are kept; run the "
            "command again, with --jobs 1 if it happens again"
        ) from error


_gatherer: Gatherer | None = None
"""That of this process, where it is one of several."""


def _open(path: Path, manner: Manner, many: bool) -> None:
    global _gatherer
    archive = Archive.open(path, read_only=True)
    _gatherer = manner.gatherer(archive)
    if many:
        compile_them()


def _work(facts: RunFacts) -> Packed:
    assert _gatherer is not None
    result = evaluate(_gatherer.with_samples(facts))
    return result, pack(result)
