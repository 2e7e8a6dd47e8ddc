"""The archive as the rest of the program sees it: records in, records and arrays of counts out."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable
from dataclasses import replace
from os import PathLike
from pathlib import Path
from types import TracebackType
from typing import Any, Self, cast

import numpy as np

from anviltrace.archive import chunks, handover, opening, recording, rows, sides, verify
from anviltrace.archive.chunks import Piece
from anviltrace.archive.codec import Counts
from anviltrace.archive.connection import plain_errors, transaction
from anviltrace.archive.orphans import as_seen
from anviltrace.archive.recording import Recording
from anviltrace.archive.rows import R, Record
from anviltrace.archive.verify import Finding, Progress
from anviltrace.errors import ArchiveError
from anviltrace.records import Decision, Gap, Notice, Run, RunState, Session, SideChannel, now_utc


class Archive:
    """One SQLite file in WAL mode. Made by :meth:`open`; close it, or use it as a context manager.

    It can be read while a run is recorded, by this and by other processes. An Archive may be handed from
    thread to thread but used by one at a time; a :class:`Recording` has a connection of its own.

    Any method raises DamageError when the file turns out to be damaged, and ArchiveError when it cannot be
    read or written.
    """

    def __init__(self, path: Path, connection: sqlite3.Connection, *, read_only: bool) -> None:
        self.path = path
        self.read_only = read_only
        self._connection = connection
        self._recording: Recording | None = None

    @classmethod
    def open(cls, path: str | PathLike[str], *, create: bool = False, read_only: bool = False) -> Archive:
        """Open an archive; with ``create`` make it if there is none.

        Opening for writing brings an older archive up to date and closes, as interrupted and sealed, runs
        whose recording process is gone. With ``read_only`` the file is not changed, and such runs are only
        shown as interrupted. A run that another process is recording right now is left alone either way.
        In WAL mode SQLite leaves empty ``-wal`` and ``-shm`` files beside a file that was only read; in a
        folder that takes no files it reads without them.

        Raises:
            NewerArchiveError: the file was written by a newer version of this program.
            DamageError: the file is damaged or cut short.
            ArchiveError: it is no archive, is not there, or may not be read or written.
        """
        whole_path = Path(path).resolve()
        if read_only:
            return cls(whole_path, opening.open_for_reading(whole_path), read_only=True)
        return cls(whole_path, opening.open_for_writing(whole_path, create=create), read_only=False)

    def close(self) -> None:
        """Close the file; a recording still open is closed as interrupted first."""
        try:
            if self._recording is not None:
                self._recording.close("archive was closed while the run was being recorded")
        finally:
            self._connection.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, traceback: TracebackType | None
    ) -> None:
        self.close()

    def put(self, record: Record) -> None:
        """Add a record. The same record again does nothing; what is there is never overwritten.

        Raises:
            ArchiveError: another record with this id is there, or one that it refers to is not.
            TypeError: a Run or Gap, which only a recording writes, or a SideChannel.
        """
        if isinstance(record, Run | Gap | SideChannel):
            raise TypeError(
                f"a {rows.table_of(type(record)).name} is written by a recording: use Archive.begin, or "
                "put_side for a side channel"
            )
        self._must_be_writable()
        with transaction(self._connection, self.path):
            if not self._is_there(record):
                rows.insert(self._connection, record)

    def put_side(self, channel: SideChannel, pieces: Iterable[Piece]) -> SideChannel:
        """Add a side channel with all its samples, stretches as :meth:`pieces` gives them, and seal it.

        All or nothing; the run may be sealed already. Returns the channel as it is kept.

        Raises:
            ArchiveError: its run is not there, or it could not be written.
        """
        self._must_be_writable()
        with transaction(self._connection, self.path):
            return sides.put_whole(self._connection, channel, pieces)

    def sides(self, run_id: str) -> list[SideChannel]:
        """The side channels of a run in the order they were added; of one quantity the last one holds."""
        return self.all(SideChannel, run_id=run_id)

    def side_pieces(self, channel_id: str) -> list[Piece]:
        """The stretches of a side channel between its gaps, as :meth:`pieces` gives those of a run.

        Raises:
            DamageError: a chunk does not agree with its checksum.
        """
        with plain_errors(self.path):
            return chunks.joined(sides.read(self._connection, channel_id))

    def end_session(self, session_id: str, ended_at: str | None = None) -> Session:
        """Note when a session ended (now, unless given): the one thing about it that is not known before."""
        self._must_be_writable()
        ended = replace(self.get(Session, session_id), ended_at=ended_at or now_utc())
        with transaction(self._connection, self.path):
            rows.update(self._connection, ended, ["ended_at"])
        return ended

    def get(self, kind: type[R], record_id: str) -> R:
        """The record of this kind with this id.

        Raises:
            ArchiveError: there is none.
            ValueError: the kind has no id (gaps and notices belong to their run).
        """
        found = self.all(kind, id=record_id)
        if not found:
            raise ArchiveError(f"{self.path} has no {rows.table_of(kind).name} {record_id}: check the id")
        return found[0]

    def all(self, kind: type[R], /, **equal: Any) -> list[R]:
        """All records of a kind whose fields equal those given, for instance ``all(Tool, name="Ram 12")``.

        Runs, sessions and whatever else has a time come in order of time, the others as they were put in.
        """
        with plain_errors(self.path):
            if kind is Run:
                return cast(list[R], self._runs(**equal))
            return rows.select(self._connection, kind, equal)

    def find_run(self, beginning: str) -> Run:
        """The run whose id begins with ``beginning``.

        Raises:
            ArchiveError: no run does, or several do.
        """
        ids = [run.id for run in self.all(Run) if run.id.startswith(beginning.lower())]
        if not ids:
            raise ArchiveError(f"{self.path} has no run {beginning}: `anviltrace archive list` shows them")
        if len(ids) > 1:
            raise ArchiveError(f"{len(ids)} runs begin with {beginning!r}: give more digits of the id")
        return self.get(Run, ids[0])

    def begin(self, run: Run) -> Recording:
        """Begin to record ``run``, whose state must be ``recording``.

        Raises:
            ArchiveError: another recording is going on, or something the run refers to is not there.
        """
        self._must_be_writable()
        self._recording = recording.begin(self.path, run)
        return self._recording

    def pieces(self, run_id: str) -> list[Piece]:
        """The stretches of a run between its gaps: index of the first sample, counts (int32, shape (n,)).

        Raises:
            DamageError: a chunk does not agree with its checksum.
        """
        with plain_errors(self.path):
            self.get(Run, run_id)
            return chunks.joined(chunks.read(self._connection, run_id))

    def counts(self, run_id: str) -> Counts:
        """All stored samples of a run, int32, shape (n,), with nothing in place of the gaps."""
        pieces = [counts for _, counts in self.pieces(run_id)]
        return np.concatenate(pieces) if pieces else np.empty(0, np.int32)

    def gaps(self, run_id: str) -> list[Gap]:
        """The gaps of a run in index order."""
        return self.all(Gap, run_id=run_id)

    def notices(self, run_id: str) -> list[Notice]:
        """The notices of a run in the order they came."""
        return self.all(Notice, run_id=run_id)

    def decisions(self, run_id: str) -> list[Decision]:
        """What was decided about a run; the last one holds."""
        return self.all(Decision, run_id=run_id)

    def verify(self, run_ids: Iterable[str] | None = None, progress: Progress | None = None) -> list[Finding]:
        """Check the file, and the runs named (all of them unless given), against what was recorded.

        Returns what is not as it was recorded; an empty list is a clean bill.
        """
        findings = verify.verify_file(self._connection)
        runs = self.all(Run) if run_ids is None else [self.get(Run, run_id) for run_id in run_ids]
        return findings + verify.verify_runs(self._connection, self.path, runs, progress)

    def hand_over(self, target: str | PathLike[str], progress: Progress | None = None) -> list[Finding]:
        """Write a copy to a new file and verify it. Returns what :meth:`verify` finds in the copy.

        Never copy the file itself while it is in use: part of it may lie in the ``-wal`` file beside it.

        Raises:
            ArchiveError: the target exists or cannot be written, or a run is being recorded.
        """
        whole_target = Path(target).resolve()
        if self.all(Run, state=RunState.RECORDING):
            raise ArchiveError(f"a run is being recorded into {self.path}: copy it when the run has ended")
        handover.copy_whole(self._connection, self.path, whole_target)
        with Archive.open(whole_target, read_only=True) as copy:
            return copy.verify(progress=progress)

    def _runs(self, *, state: RunState | None = None, **equal: Any) -> list[Run]:
        """Runs as they are to be shown; the state is looked at after orphans were recognised."""
        stored = rows.select(self._connection, Run, equal)
        seen = [as_seen(self._connection, self.path, run) for run in stored]
        return [run for run in seen if state is None or run.state is state]

    def _is_there(self, record: Record) -> bool:
        """Whether this very record is there already."""
        if isinstance(record, Notice | Gap):
            return record in rows.select(self._connection, type(record), {"run_id": record.run_id})
        there = rows.select(self._connection, type(record), {"id": record.id})
        if there and there[0] != record:
            raise ArchiveError(
                f"{self.path} already has another {rows.table_of(type(record)).name} {record.id}: nothing is "
                "overwritten, give the new one an id of its own"
            )
        return bool(there)

    def _must_be_writable(self) -> None:
        if self.read_only:
            raise ArchiveError(f"{self.path} was opened for reading only: open it for writing")
