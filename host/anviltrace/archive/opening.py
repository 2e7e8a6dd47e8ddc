"""Opening an archive: what the file must be, making a new one, bringing an old one up to date."""

from __future__ import annotations

import os
import sqlite3
from contextlib import closing
from pathlib import Path

from anviltrace.archive import lock, migrations
from anviltrace.archive.connection import connect, plain_errors, transaction
from anviltrace.archive.orphans import close_orphans
from anviltrace.errors import ArchiveError, DamageError, NewerArchiveError

OPEN_WAIT_S = 0.1
"""How long opening for writing waits for the lock before it takes it that somebody is recording."""

CREATE_WAIT_S = 5.0
"""How long making a new archive waits for another process that is making the same one."""


def open_for_reading(path: Path) -> sqlite3.Connection:
    """Open an archive without changing it.

    In a folder that takes no files, SQLite cannot keep its shared index beside a file in WAL mode. The file
    is then opened as one that nobody changes, which is safe only when no ``-wal`` file with newer data lies
    beside it; when one does, the archive is refused.

    Raises:
        ArchiveError: no archive, or not readable; NewerArchiveError, DamageError.
    """
    _must_be_a_file(path)
    with plain_errors(path):
        connection = _connect_read_only(path)
        return _accepted(connection, path, must_be_current=True)


def open_for_writing(path: Path, *, create: bool) -> sqlite3.Connection:
    """Open an archive for recording, make it if ``create`` says so, and close what a dead process left open.

    While another process is recording its run is left alone.

    Raises:
        ArchiveError: no archive, or not writable; NewerArchiveError, DamageError.
    """
    if create and not path.exists():
        _create(path)
    _must_be_a_file(path)
    held = lock.acquire(path, OPEN_WAIT_S)
    try:
        with plain_errors(path):
            connection = _accepted(connect(path, query="mode=rw"), path, must_be_current=held is None)
            try:
                _prepare(connection, path, alone=held is not None)
            except BaseException:
                connection.close()
                raise
        return connection
    finally:
        if held:
            held.release()


def _prepare(connection: sqlite3.Connection, path: Path, *, alone: bool) -> None:
    with transaction(connection, path):
        pass  # proves that the file can be written
    if not alone:
        return
    migrations.migrate(connection)
    connection.execute("PRAGMA journal_mode = WAL")
    close_orphans(connection, path)


def _connect_read_only(path: Path) -> sqlite3.Connection:
    try:
        return connect(path, query="mode=ro")
    except sqlite3.OperationalError as error:
        if not _is_for_want_of_an_index(error):
            raise
    if _newer_data_beside(path):
        raise ArchiveError(
            f"{path} lies in a folder that takes no files, with newer data in {path.name}-wal: "
            "copy both files to a folder you may write to and open the copy"
        )
    return connect(path, query="mode=ro&immutable=1")


def _is_for_want_of_an_index(error: sqlite3.Error) -> bool:
    """Whether SQLite could not make the files it wants beside one in WAL mode."""
    return error.sqlite_errorcode & 0xFF in (sqlite3.SQLITE_CANTOPEN, sqlite3.SQLITE_READONLY)


def _newer_data_beside(path: Path) -> bool:
    wal = path.with_name(path.name + "-wal")
    return wal.exists() and wal.stat().st_size > 0


def _must_be_a_file(path: Path) -> None:
    if path.is_dir():
        raise ArchiveError(f"{path} is a folder, not an archive: name the file in it")
    if not path.exists():
        raise ArchiveError(
            f"there is no archive {path}: check the name (--archive), or record a run to make one"
        )
    if path.stat().st_size == 0 and not _newer_data_beside(path):
        raise ArchiveError(f"{path} is empty (0 bytes), not an archive: delete it or use another name")


def _accepted(connection: sqlite3.Connection, path: Path, *, must_be_current: bool) -> sqlite3.Connection:
    """The connection, if it is to an archive of a version we can use; closed otherwise."""
    try:
        _check_identity(connection, path, must_be_current)
    except BaseException:
        connection.close()
        raise
    return connection


def _check_identity(connection: sqlite3.Connection, path: Path, must_be_current: bool) -> None:
    _must_have_whole_pages(connection, path)
    application_id = connection.execute("PRAGMA application_id").fetchone()[0]
    version = connection.execute("PRAGMA user_version").fetchone()[0]
    current = migrations.current_version()
    if application_id != migrations.APPLICATION_ID or version < 1:
        raise ArchiveError(f"{path} is an SQLite file of another program, not an archive: name another file")
    if version > current:
        raise NewerArchiveError(
            f"{path} has schema version {version}, this program knows versions up to {current}: "
            "install a newer anviltrace; the file was not touched"
        )
    if version < current and must_be_current:
        raise ArchiveError(
            f"{path} has the old schema version {version}, this program uses {current}: it is brought up "
            "to date, while nobody records into it, by: anviltrace archive upgrade"
        )


def _must_have_whole_pages(connection: sqlite3.Connection, path: Path) -> None:
    """SQLite notices missing pages, but fills up a last page that was cut in two with zeros."""
    page_bytes = connection.execute("PRAGMA page_size").fetchone()[0]
    rest = path.stat().st_size % page_bytes
    if rest and not _newer_data_beside(path):
        raise DamageError(
            f"{path} is damaged or cut short (its last page has {rest} of {page_bytes} bytes): "
            "keep the file as it is, go back to a hand-over copy"
        )


def _create(path: Path) -> None:
    """Make an empty archive under another name and rename it, so that no half-made archive is ever seen."""
    if not path.parent.is_dir():
        raise ArchiveError(f"there is no folder {path.parent}: make it first, or name another file")
    held = lock.acquire(path, CREATE_WAIT_S)
    if held is None:
        raise ArchiveError(f"{lock.holder(path)} is making {path} right now: try again in a moment")
    try:
        if not path.exists():
            with plain_errors(path):
                _create_alone(path)
    finally:
        held.release()


def _create_alone(path: Path) -> None:
    draft = path.with_name(path.name + "-new")
    draft.unlink(missing_ok=True)
    with closing(connect(draft, query="mode=rwc")) as connection:
        migrations.create(connection)
        connection.execute("PRAGMA journal_mode = WAL")
    draft.rename(path)
    sync_folder(path.parent)


def sync_folder(folder: Path) -> None:
    """Make sure that names just made in a folder outlive a power cut."""
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
