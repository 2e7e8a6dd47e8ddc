"""Orphans: runs still marked ``recording`` although the process that recorded them is gone."""

from __future__ import annotations

import sqlite3
from dataclasses import replace
from pathlib import Path

from anviltrace.archive import chunks, lock, rows, sides
from anviltrace.archive.connection import transaction
from anviltrace.archive.seal import seal_of
from anviltrace.errors import DamageError
from anviltrace.records import Gap, Run, RunState

ORPHANED = "recording process ended without closing the run"
"""The end reason of such a run. When it ended is not known, so ``ended_at`` stays empty."""

CLOSING_FIELDS = ("state", "end_reason", "samples", "seal")


def close_orphans(connection: sqlite3.Connection, path: Path) -> list[Run]:
    """Turn every orphan into a sealed interrupted run. Only the holder of the writer lock may do this."""
    closed = []
    for run in rows.select(connection, Run, {"state": RunState.RECORDING}):
        with transaction(connection, path):
            interrupted = replace(as_interrupted(connection, run), seal=_seal(connection, run.id))
            rows.update(connection, interrupted, CLOSING_FIELDS)
            sides.close_left_open(connection, run.id)
        closed.append(interrupted)
    return closed


def as_seen(connection: sqlite3.Connection, path: Path, run: Run) -> Run:
    """A run as it is to be shown: an orphan appears as interrupted. Writes nothing.

    The lock of a run is held from before its row appears until after it is closed. So a row that says
    ``recording`` both before and after the lock was found free belongs to a process that is gone.
    """
    if run.state is not RunState.RECORDING or lock.is_held(path):
        return run
    (again,) = rows.select(connection, Run, {"id": run.id})
    return as_interrupted(connection, again) if again.state is RunState.RECORDING else again


def as_interrupted(connection: sqlite3.Connection, run: Run) -> Run:
    """An orphan with what can be said about it: the count of its stored samples, and why it has no end."""
    return replace(
        run,
        state=RunState.INTERRUPTED,
        end_reason=ORPHANED,
        samples=chunks.stored_samples(connection, run.id),
    )


def _seal(connection: sqlite3.Connection, run_id: str) -> str | None:
    """The seal over what is stored; None when a chunk is damaged, which ``verify`` then reports."""
    gaps = rows.select(connection, Gap, {"run_id": run_id})
    try:
        return seal_of((chunk.counts() for chunk in chunks.read(connection, run_id)), gaps)
    except DamageError:
        return None
