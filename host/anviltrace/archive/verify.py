"""Proof that an archive still holds what was recorded.

Of every run: each chunk against its checksum and its count, the sample indices without overlap and without
a hole that is not a recorded gap, the number of samples against what the run and the board said, the seal;
and its side channels likewise.
Of the file: SQLite's own check of its pages and of the references between rows.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

from anviltrace.archive import chunks, rows, sides
from anviltrace.archive.chunks import Chunk
from anviltrace.archive.connection import snapshot
from anviltrace.archive.orphans import as_seen
from anviltrace.archive.seal import Sealer
from anviltrace.errors import ArchiveError, DamageError
from anviltrace.records import Gap, Run, RunState, SideChannel

FROM_A_COPY = "take the run from a hand-over copy"
_FROM_A_FILE_COPY = "keep the file as it is and go back to a hand-over copy"
_MOST_PAGE_FINDINGS = 20

Progress = Callable[[int, int, Run], None]
"""Called before each run with the number of runs done, the number of runs, and the run."""


@dataclass(frozen=True, slots=True)
class Finding:
    """Something that is not as it was recorded. ``run_id`` is None when it concerns the whole file."""

    run_id: str | None
    what: str
    where: str
    advice: str


def verify_file(connection: sqlite3.Connection) -> list[Finding]:
    """Check the pages of the file and the references between its rows."""
    try:
        pages = connection.execute(f"PRAGMA integrity_check({_MOST_PAGE_FINDINGS})").fetchall()
        references = connection.execute("PRAGMA foreign_key_check").fetchall()
    except sqlite3.DatabaseError as error:
        return [Finding(None, str(error), "pages of the file", _FROM_A_FILE_COPY)]
    return [
        *(Finding(None, text, "pages of the file", _FROM_A_FILE_COPY) for (text,) in pages if text != "ok"),
        *(
            Finding(None, f"a {table} refers to no {parent} that is there", f"row {rowid}", _FROM_A_FILE_COPY)
            for table, rowid, parent, _ in references
        ),
    ]


def verify_runs(
    connection: sqlite3.Connection, path: Path, runs: Sequence[Run], progress: Progress | None = None
) -> list[Finding]:
    """Check the given runs one after the other; a run that is being recorded is checked as far as it is."""
    findings: list[Finding] = []
    for done, run in enumerate(runs):
        if progress:
            progress(done, len(runs), run)
        findings += _verify_run(connection, path, run.id)
    return findings


def _verify_run(connection: sqlite3.Connection, path: Path, run_id: str) -> list[Finding]:
    """Check one run as it lies in the file at one moment."""
    try:
        with snapshot(connection, path):
            (run,) = rows.select(connection, Run, {"id": run_id})
            gaps = rows.select(connection, Gap, {"run_id": run_id})
            stored = list(_Reader(connection, run, gaps).findings()) + _side_findings(connection, run_id)
            return stored + _closing_findings(as_seen(connection, path, run))
    except ArchiveError as error:
        return [Finding(run_id, str(error), "its rows in the file", _FROM_A_FILE_COPY)]


def _side_findings(connection: sqlite3.Connection, run_id: str) -> list[Finding]:
    return [
        Finding(run_id, what, f"side channel '{channel.quantity}' ({channel.id[:8]}), {where}", FROM_A_COPY)
        for channel in rows.select(connection, SideChannel, {"run_id": run_id})
        for what, where in sides.what_is_wrong(connection, channel)
    ]


def _closing_findings(run: Run) -> list[Finding]:
    """A run that was closed has a seal; an orphan not yet closed has none."""
    if run.state is RunState.FINISHED and run.seal is None:
        return [Finding(run.id, "finished without a seal", "run", FROM_A_COPY)]
    return []


class _Reader:
    """Walks through the chunks of one run once, checking as it goes."""

    def __init__(self, connection: sqlite3.Connection, run: Run, gaps: Sequence[Gap]) -> None:
        self._connection = connection
        self._run = run
        self._gaps = list(gaps)
        self._sealer = Sealer()
        self._samples = 0
        self._all_readable = True
        self._spans: list[tuple[int, int, str]] = [
            (gap.first_index, gap.first_index + gap.count, "gap") for gap in gaps
        ]

    def findings(self) -> Iterator[Finding]:
        for chunk in chunks.read(self._connection, self._run.id):
            yield from self._check_chunk(chunk)
        yield from self._check_continuity()
        yield from self._check_totals()
        yield from self._check_seal()

    def _check_chunk(self, chunk: Chunk) -> Iterator[Finding]:
        self._samples += chunk.count
        self._spans.append((chunk.first_index, chunk.end_index, "chunk"))
        try:
            self._sealer.add(chunk.counts())
        except DamageError as error:
            self._all_readable = False
            yield self._finding(str(error.__cause__), chunk.where, FROM_A_COPY + "; other chunks are intact")

    def _check_continuity(self) -> Iterator[Finding]:
        expected = self._run.first_index
        for first_index, end_index, kind in sorted(self._spans):
            if first_index > expected:
                where = f"samples {expected} to {first_index - 1}"
                yield self._finding("missing without a recorded gap", where, FROM_A_COPY)
            if first_index < expected:
                where = f"samples {first_index} to {min(expected, end_index) - 1}"
                yield self._finding(f"a {kind} overlaps what comes before it", where, FROM_A_COPY)
            expected = max(expected, end_index)

    def _check_totals(self) -> Iterator[Finding]:
        """``samples_total`` is what the converter delivered: what is stored, and what was lost on the way."""
        run = self._run
        if run.state is not RunState.RECORDING and self._samples != run.samples:
            what = f"{self._samples} samples are stored, {run.samples} were recorded"
            yield self._finding(what, "whole run", FROM_A_COPY)
        delivered = self._samples + sum(gap.count for gap in self._gaps)
        if run.samples_total is not None and delivered != run.samples_total:
            what = f"{delivered} samples are stored or noted as lost, the board delivered "
            yield self._finding(f"{what}{run.samples_total}", "whole run", FROM_A_COPY)

    def _check_seal(self) -> Iterator[Finding]:
        if self._run.seal is None or not self._all_readable:
            return
        seal = self._sealer.seal(self._gaps)
        if seal != self._run.seal:
            what = f"sha256 of counts and gaps is {seal[:12]}…, it was sealed with {self._run.seal[:12]}…"
            yield self._finding(what, "whole run", FROM_A_COPY)

    def _finding(self, what: str, where: str, advice: str) -> Finding:
        return Finding(self._run.id, what, where, advice)
