"""Connections to the SQLite file: how they are opened, how they commit, what their errors mean."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from anviltrace.errors import ArchiveError, DamageError

OLDEST_SQLITE = (3, 37, 0)
"""The first SQLite with STRICT tables, which the schema uses."""

BUSY_S = 5.0
"""How long a write waits for another process to finish its transaction."""

_READ_SCHEMA = "SELECT count(*) FROM sqlite_master"


def connect(path: Path, *, query: str) -> sqlite3.Connection:
    """Open an SQLite file; ``query`` is the query of its URI, for instance ``mode=ro``.

    Transactions are begun and committed by :func:`transaction` only. A commit returns when the data is on
    the disk (``synchronous`` FULL; on macOS also through the drive's own cache).

    Raises:
        ArchiveError: the SQLite library is too old.
        sqlite3.Error: the file cannot be opened or read.
    """
    if sqlite3.sqlite_version_info < OLDEST_SQLITE:
        raise ArchiveError(
            f"SQLite {sqlite3.sqlite_version} is too old, 3.37 or newer is needed: use a newer Python"
        )
    connection = sqlite3.connect(
        f"{path.as_uri()}?{query}", uri=True, timeout=BUSY_S, isolation_level=None, check_same_thread=False
    )
    try:
        connection.execute(_READ_SCHEMA)
        for pragma in ("foreign_keys = ON", "synchronous = FULL", "fullfsync = ON"):
            connection.execute(f"PRAGMA {pragma}")
    except sqlite3.Error:
        connection.close()
        raise
    return connection


@contextmanager
def transaction(connection: sqlite3.Connection, path: Path) -> Iterator[None]:
    """All or nothing: committed when the block ends, undone when it raises."""
    with plain_errors(path):
        connection.execute("BEGIN IMMEDIATE")
        try:
            yield
            connection.execute("COMMIT")
        finally:
            if connection.in_transaction:
                connection.execute("ROLLBACK")


@contextmanager
def snapshot(connection: sqlite3.Connection, path: Path) -> Iterator[None]:
    """Everything read in the block is of one moment, whatever another process commits meanwhile."""
    with plain_errors(path):
        connection.execute("BEGIN DEFERRED")
        try:
            yield
        finally:
            if connection.in_transaction:
                connection.execute("ROLLBACK")


@contextmanager
def plain_errors(path: Path) -> Iterator[None]:
    """Turn SQLite's errors into ours, which say what to do."""
    try:
        yield
    except sqlite3.Error as error:
        raise explain(error, path) from error


def explain(error: sqlite3.Error, path: Path) -> ArchiveError:
    """The error of ours for an error of SQLite that came up while using ``path``."""
    code = (getattr(error, "sqlite_errorcode", None) or 0) & 0xFF  # the low byte is the primary code
    if code == sqlite3.SQLITE_CORRUPT:
        return DamageError(
            f"{path} is damaged or cut short ({error}): keep the file as it is, go back to a hand-over copy"
        )
    advice = _ADVICE.get(code, "{path}: SQLite says: {error}")
    return ArchiveError(advice.format(path=path, error=error))


_CANNOT_WRITE = "{path} cannot be written ({error}): check the permissions of the file and its folder"

_ADVICE = {
    sqlite3.SQLITE_NOTADB: "{path} is not an archive (no SQLite file): name an .anviltrace file",
    sqlite3.SQLITE_FULL: "no room left on the disk of {path}: what was acknowledged is safe; make room and"
    " go on",
    sqlite3.SQLITE_READONLY: _CANNOT_WRITE,
    sqlite3.SQLITE_CANTOPEN: "{path} cannot be opened ({error}): check the permissions of the file and its"
    " folder",
    sqlite3.SQLITE_PERM: _CANNOT_WRITE,
    sqlite3.SQLITE_BUSY: f"{{path}} was locked by another program for more than {BUSY_S:g} s: close it and"
    " try again",
    sqlite3.SQLITE_IOERR: "reading or writing {path} failed ({error}): check the disk; what was acknowledged"
    " is safe",
    sqlite3.SQLITE_CONSTRAINT: "{path} refuses a record ({error}): put the records it refers to first, and"
    " keep to the values in records.py",
}
