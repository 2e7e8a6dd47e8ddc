"""What was worked out from runs, kept so that it need not be worked out again; it can be dropped any time.

Whoever keeps something states what it was made from (``inputs``, a hash) and by which code; something kept
by other code is dropped when anew is kept. It lies in the archive, but is not part of what was recorded.
"""

from __future__ import annotations

import sqlite3
from pathlib import Path
from types import TracebackType
from typing import Self

from anviltrace.archive import migrations
from anviltrace.archive.connection import connect, transaction
from anviltrace.records import now_utc


class WorkedOut:
    """Has a connection of its own, so that results can be kept while the archive is open for reading only.

    Where nothing can be written (a folder or file that may only be read, an archive of another version, a
    disk that is full) nothing is kept and nothing is found: that is no error.
    """

    def __init__(self, path: Path) -> None:
        self._path = path
        self._connection = _connection(path)

    def close(self) -> None:
        """Let go of the file."""
        if self._connection is not None:
            self._connection.close()
            self._connection = None

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, traceback: TracebackType | None
    ) -> None:
        self.close()

    def find(self, run_id: str, what: str, inputs: str) -> bytes | None:
        """What was kept under these inputs, or None."""
        if self._connection is None:
            return None
        query = "SELECT result FROM worked_out WHERE run_id = ? AND what = ? AND inputs = ?"
        try:
            row = self._connection.execute(query, (run_id, what, inputs)).fetchone()
        except sqlite3.Error:
            return None
        return None if row is None else bytes(row[0])

    def keep(self, run_id: str, what: str, inputs: str, code: str, result: bytes) -> None:
        """Keep a result, committed when this returns; what other code left about it is dropped."""
        if self._connection is None:
            return
        try:
            with transaction(self._connection, self._path):
                self._connection.execute(
                    "DELETE FROM worked_out WHERE run_id = ? AND what = ? AND (code <> ? OR inputs = ?)",
                    (run_id, what, code, inputs),
                )
                self._connection.execute(
                    "INSERT INTO worked_out (run_id, what, inputs, code, made_at, result) "
                    "VALUES (?, ?, ?, ?, ?, ?)",
                    (run_id, what, inputs, code, now_utc(), result),
                )
        except OSError:  # an ArchiveError is one
            self.close()


def _connection(path: Path) -> sqlite3.Connection | None:
    try:
        connection = connect(path, query="mode=rw")
    except (sqlite3.Error, OSError):
        return None
    try:
        if connection.execute("PRAGMA user_version").fetchone()[0] == migrations.current_version():
            return connection
    except sqlite3.Error:
        pass
    connection.close()
    return None
