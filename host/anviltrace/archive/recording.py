"""A run being recorded: samples in, chunks on the disk."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable
from dataclasses import replace
from pathlib import Path
from types import TracebackType
from typing import Any, Self

import numpy as np
from numpy.typing import NDArray

from anviltrace.archive import chunks, lock, rows, sides
from anviltrace.archive.chunks import Piece
from anviltrace.archive.codec import Counts
from anviltrace.archive.connection import connect, plain_errors, transaction
from anviltrace.archive.orphans import close_orphans
from anviltrace.archive.seal import Sealer
from anviltrace.errors import ArchiveError, RecordError
from anviltrace.records import Gap, Notice, Run, RunState, Settings, SideChannel, now_utc

CHUNK_S = 0.25
"""Length of a chunk in seconds at the nominal rate: the most that a killed process can lose."""

LOCK_WAIT_S = 1.0
"""How long the start of a recording waits for another one to end."""

_MADE_HERE = ("state", "samples", "seal")
_FIXED = ("id", "session_id", "settings_id", "first_index", "started_at")


class Recording:
    """One run while it is being recorded, made by ``Archive.begin``.

    It has its own connection and holds the writer lock, so the archive can be read and written to
    meanwhile. It may be used from any one thread at a time. Left as a context manager without an end, or
    with its archive closed, it is closed as interrupted.

    When a method raises ArchiveError because the disk is full or gone, nothing acknowledged is lost and the
    samples not yet written are kept: make room and call ``flush``, ``finish`` or ``interrupt`` again.
    """

    def __init__(
        self, path: Path, held: lock.WriterLock, connection: sqlite3.Connection, run: Run, rate_hz: float
    ) -> None:
        self._path = path
        self._held = held
        self._connection = connection
        self._run = run
        self._chunk_samples = max(1, round(CHUNK_S * rate_hz))
        self._pending: list[Counts] = []
        self._next_index = run.first_index
        self._acknowledged_index = run.first_index
        self._samples = 0
        self._gaps: list[Gap] = []
        self._sealer = Sealer()
        self._side_ends: dict[str, int] = {}
        self._open = True

    @property
    def run(self) -> Run:
        """The run: as it was begun, or as it was closed."""
        return self._run

    @property
    def is_open(self) -> bool:
        """Whether samples can still be appended."""
        return self._open

    @property
    def next_index(self) -> int:
        """Index the next sample must have."""
        return self._next_index

    @property
    def acknowledged_index(self) -> int:
        """Everything below this index is on the disk for good."""
        return self._acknowledged_index

    def append(self, first_index: int, samples: NDArray[np.int32]) -> None:
        """Take the next samples (integers of at most 32 bits, shape (n,), any n) as the converter gave them.

        They are copied, and written whenever a quarter of a second has come together.

        Raises:
            RecordError: ``first_index`` does not follow on the samples and gaps before it, or the recording
                has ended.
            TypeError: the samples are not integers that fit 32 bits.
            ArchiveError: the chunk could not be written; it is kept for the next try.
        """
        self._must_follow(first_index)
        counts = samples.astype(np.int32, casting="safe")
        if counts.ndim != 1:
            raise TypeError(f"samples have shape {counts.shape}: one channel after the other, shape (n,)")
        self._pending.append(counts)
        self._next_index += len(counts)
        if self._pending_samples >= self._chunk_samples:
            self._store(at_least=self._chunk_samples)

    def flush(self) -> None:
        """Write what has come so far, without waiting for the quarter of a second."""
        self._must_be_open()
        self._store(at_least=1)

    def gap(self, gap: Gap) -> None:
        """Note samples that are missing. They must follow on the last one taken; what came before is written.

        Raises:
            RecordError: the gap is of another run or does not begin at the next index.
        """
        if gap.run_id != self._run.id:
            raise RecordError(f"a gap of run {gap.run_id} was given to the recording of run {self._run.id}")
        self._must_follow(gap.first_index)
        self._store(at_least=1)
        self._insert(gap)
        self._gaps.append(gap)
        self._next_index += gap.count
        self._acknowledged_index = self._next_index

    def notice(self, kind: str, text: str, at_index: int | None = None) -> None:
        """Keep something worth knowing, at a sample index (the next one unless given)."""
        self._must_be_open()
        self._insert(Notice(self._run.id, self._next_index if at_index is None else at_index, kind, text))

    def keep_sides(
        self, parts: Iterable[tuple[SideChannel, Iterable[Piece]]], rate_hz: float | None = None
    ) -> None:
        """Write what came of side channels of this run, and its measured rate so far; all or nothing.

        A channel is told by its id, and begun when it comes first. Each time it is given as known by then,
        so whatever ends the process leaves it with the clock it had. They are sealed with the run.

        Raises:
            ValueError: a channel is of another run.
            RecordError: samples do not come after those before, or the recording has ended.
            ArchiveError: they could not be written, none of them.
        """
        self._must_be_open()
        run, ends = replace(self._run, rate_hz=rate_hz or self._run.rate_hz), dict(self._side_ends)
        with transaction(self._connection, self._path):
            for channel, pieces in parts:
                if channel.run_id != run.id:
                    raise ValueError(f"a side channel of run {channel.run_id} was given to run {run.id}")
                ends[channel.id] = sides.write_open(self._connection, channel, pieces, ends.get(channel.id))
            rows.update(self._connection, run, ["rate_hz"])
        self._run, self._side_ends = run, ends

    def finish(self, **fields: Any) -> Run:
        """Write the rest, seal the run and close it as finished. ``fields`` are fields of Run to fill in.

        Raises:
            TypeError: a field that Run has not, or that is not the caller's to set.
            ArchiveError: it could not be written; the recording stays open for another try.
        """
        return self._close(RunState.FINISHED, fields)

    def interrupt(self, reason: str, **fields: Any) -> Run:
        """As :meth:`finish`, for a run that did not go as planned: it keeps everything received, and why."""
        return self._close(RunState.INTERRUPTED, {**fields, "end_reason": reason})

    def abandon(self) -> None:
        """Let go of lock and file without writing: whoever opens the archive next closes the run."""
        self._open = False
        self._connection.close()
        self._held.release()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, traceback: TracebackType | None
    ) -> None:
        self.close("left without an end" if kind is None else f"stopped by {kind.__name__}: {error}")

    def close(self, reason: str) -> None:
        """Close as interrupted if still open. The lock is given back even when nothing can be written."""
        if not self._open:
            return
        try:
            self.interrupt(reason)
        finally:
            if self._open:
                self.abandon()

    @property
    def _pending_samples(self) -> int:
        return self._next_index - self._acknowledged_index

    def _store(self, at_least: int) -> None:
        """Write pending samples in chunks, as long as ``at_least`` of them are there."""
        if self._pending_samples < at_least:
            return
        joined = np.concatenate(self._pending)
        self._pending = [joined]
        while len(joined) >= at_least:
            self._store_chunk(joined[: self._chunk_samples])
            joined = joined[self._chunk_samples :]
            self._pending = [joined]

    def _store_chunk(self, counts: Counts) -> None:
        with transaction(self._connection, self._path):
            chunks.write(self._connection, self._run.id, self._acknowledged_index, counts)
        self._acknowledged_index += len(counts)
        self._samples += len(counts)
        self._sealer.add(counts)

    def _insert(self, record: Gap | Notice) -> None:
        with transaction(self._connection, self._path):
            rows.insert(self._connection, record)

    def _close(self, state: RunState, fields: dict[str, Any]) -> Run:
        refused = [name for name in fields if name in _MADE_HERE or name in _FIXED]
        if refused:
            raise TypeError(f"{refused[0]} of a run is not set when it ends")
        self.flush()
        fields = {"ended_at": now_utc(), **fields}
        closed = replace(
            self._run,
            **fields,
            state=state,
            samples=self._samples,
            seal=self._sealer.seal(self._gaps),
        )
        with transaction(self._connection, self._path):
            rows.update(self._connection, closed, [*fields, *_MADE_HERE])
            sides.close_left_open(self._connection, closed.id)
        self._run = closed
        self.abandon()
        return closed

    def _must_be_open(self) -> None:
        if not self._open:
            raise RecordError(f"the recording of run {self._run.id} has ended: begin another run")

    def _must_follow(self, first_index: int) -> None:
        self._must_be_open()
        if first_index < self._next_index:
            raise RecordError(
                f"sample {first_index} of run {self._run.id} came again: the next one is {self._next_index}; "
                "drop what was already taken"
            )
        if first_index > self._next_index:
            raise RecordError(
                f"samples {self._next_index} to {first_index - 1} of run {self._run.id} are missing: "
                "note the gap before going on"
            )


def begin(path: Path, run: Run) -> Recording:
    """Take the writer lock, close orphans, put the run into the archive.

    Raises:
        ArchiveError: another process or recording holds the lock, or something the run refers to is missing.
        ValueError: the run is not in the state ``recording``.
    """
    if run.state is not RunState.RECORDING:
        raise ValueError(f"run {run.id} is {run.state}: a recording begins with a run in state recording")
    held = lock.acquire(path, LOCK_WAIT_S)
    if held is None:
        raise ArchiveError(
            f"{lock.holder(path)} is recording into {path}: wait for its run to end, or use another archive"
        )
    try:
        return _begin_alone(path, held, run)
    except BaseException:
        held.release()
        raise


def _begin_alone(path: Path, held: lock.WriterLock, run: Run) -> Recording:
    with plain_errors(path):
        connection = connect(path, query="mode=rw")
    try:
        close_orphans(connection, path)
        with transaction(connection, path):
            rows.insert(connection, run)
            settings = rows.select(connection, Settings, {"id": run.settings_id})
        return Recording(path, held, connection, run, settings[0].rate_hz)
    except BaseException:
        connection.close()
        raise
