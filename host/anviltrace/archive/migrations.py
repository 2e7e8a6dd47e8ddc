"""Schema versions and the steps between them.

``schema.sql`` is version 1 as released and never changes again. Every later version is one script in
``STEPS``, applied in order to new archives and old ones alike, so that both end up the same.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Sequence
from importlib.resources import files

from anviltrace.errors import ArchiveError

APPLICATION_ID = 0x414E5654
"""The bytes ``ANVT`` in the header of the SQLite file."""


def _script(name: str) -> str:
    return files("anviltrace.archive").joinpath(name).read_text(encoding="utf-8")


STEPS: tuple[str, ...] = tuple(_script(f"schema_{number}.sql") for number in (2, 3, 4))
"""SQL scripts; the first takes an archive from version 1 to 2, the next from 2 to 3, and so on."""


def current_version(steps: Sequence[str] | None = None) -> int:
    """The schema version this program writes."""
    return 1 + len(STEPS if steps is None else steps)


def create(connection: sqlite3.Connection) -> None:
    """Make the tables of an empty archive, in the current version."""
    _apply(connection, _script("schema.sql"), 1)
    migrate(connection)


def migrate(connection: sqlite3.Connection, steps: Sequence[str] | None = None) -> int:
    """Bring an archive to the current version, one step per transaction, and return the version it had.

    A step that fails, or leaves a reference to nowhere, is undone; the steps before it stay.

    Raises:
        ArchiveError: a step left references to rows that are not there.
        sqlite3.Error: a step failed.
    """
    steps = STEPS if steps is None else steps
    version: int = connection.execute("PRAGMA user_version").fetchone()[0]
    for number, script in enumerate(steps[version - 1 :], start=version + 1):
        _apply(connection, script, number)
    return version


def _apply(connection: sqlite3.Connection, script: str, version: int) -> None:
    connection.execute("PRAGMA foreign_keys = OFF")  # a step may rebuild a table that others refer to
    try:
        connection.executescript(f"BEGIN IMMEDIATE;\n{script}\nPRAGMA user_version = {version};")
        if connection.execute("PRAGMA foreign_key_check").fetchone():
            raise ArchiveError(f"migration to schema {version} left broken references; nothing was changed")
        connection.execute("COMMIT")
    finally:
        if connection.in_transaction:
            connection.execute("ROLLBACK")
        connection.execute("PRAGMA foreign_keys = ON")
