"""Hand-over copies: one clean file, made while the archive stays in use."""

from __future__ import annotations

import os
import sqlite3
from pathlib import Path

from anviltrace.archive.connection import explain
from anviltrace.archive.opening import sync_folder
from anviltrace.errors import ArchiveError


def copy_whole(connection: sqlite3.Connection, source: Path, target: Path) -> None:
    """Copy everything to ``target``, which must not exist, as one file with nothing beside it.

    The copy is made under another name, brought to the disk and then renamed: a file with the name of the
    target is always whole. It is not in WAL mode, so it can be read from a folder that takes no files; it
    goes back to WAL mode when it is opened for writing.

    Raises:
        ArchiveError: the target exists, its folder does not, or it cannot be written.
    """
    if target.exists():
        raise ArchiveError(f"{target} exists and is not overwritten: choose another name")
    if not target.parent.is_dir():
        raise ArchiveError(f"there is no folder {target.parent}: make it first, or name another file")
    draft = target.with_name(target.name + "-new")
    draft.unlink(missing_ok=True)
    try:
        connection.execute("VACUUM INTO ?", (str(draft),))
        _to_disk(draft)
        draft.rename(target)
        sync_folder(target.parent)
    except sqlite3.DatabaseError as error:
        damaged = error.sqlite_errorcode & 0xFF == sqlite3.SQLITE_CORRUPT
        raise explain(error, source if damaged else target) from error
    except OSError as error:
        raise ArchiveError(f"{target} cannot be written ({error.strerror}): use another folder") from error
    finally:
        draft.unlink(missing_ok=True)


def _to_disk(path: Path) -> None:
    handle = os.open(path, os.O_RDWR)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
