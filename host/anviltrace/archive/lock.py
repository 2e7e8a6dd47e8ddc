"""Who is recording: an advisory lock beside the archive, so that only one process records at a time.

The lock is ``flock`` on ``NAME-lock`` next to the archive; the operating system frees it when the process
ends, however it ends. It is not taken on the archive itself, because closing any other handle of a SQLite
file drops the locks SQLite holds there. The file exists only while the lock is held (or was held by a
process that was killed) and names the process in it.
"""

from __future__ import annotations

import fcntl
import os
import time
from pathlib import Path

from anviltrace.errors import ArchiveError

_POLL_S = 0.005


def lock_path(archive: Path) -> Path:
    """Where the lock of an archive lies."""
    return archive.with_name(archive.name + "-lock")


class WriterLock:
    """The right to record into an archive. Made by :func:`acquire`, given back by :meth:`release`."""

    def __init__(self, path: Path, handle: int) -> None:
        self._path = path
        self._handle: int | None = handle

    def release(self) -> None:
        """Give the lock back; doing so twice does no harm."""
        if self._handle is None:
            return
        handle, self._handle = self._handle, None
        self._path.unlink(missing_ok=True)
        os.close(handle)


def acquire(archive: Path, wait_s: float) -> WriterLock | None:
    """Take the lock, trying for ``wait_s`` seconds; None when somebody else holds it.

    Raises:
        ArchiveError: the folder takes no files.
    """
    path = lock_path(archive)
    give_up = time.monotonic() + wait_s
    while True:
        handle = _open(path, archive)
        if _locked(handle, fcntl.LOCK_EX) and _is_still(path, handle):
            os.truncate(handle, 0)
            os.write(handle, str(os.getpid()).encode())
            return WriterLock(path, handle)
        os.close(handle)
        if time.monotonic() >= give_up:
            return None
        time.sleep(_POLL_S)


def is_held(archive: Path) -> bool:
    """Whether a living process records into the archive right now. Writes nothing."""
    try:
        handle = os.open(lock_path(archive), os.O_RDONLY)
    except FileNotFoundError:
        return False
    except PermissionError:
        return True  # another user's lock: leave it alone
    try:
        return not _locked(handle, fcntl.LOCK_SH)
    finally:
        os.close(handle)


def holder(archive: Path) -> str:
    """Who holds the lock, in words, as far as can be told."""
    try:
        text = lock_path(archive).read_text(encoding="ascii", errors="replace").strip()
    except OSError:
        text = ""
    return f"process {text}" if text else "another process"


def _open(path: Path, archive: Path) -> int:
    try:
        return os.open(path, os.O_RDWR | os.O_CREAT, 0o666)
    except OSError as error:
        raise ArchiveError(
            f"cannot write beside {archive} ({error.strerror}): use a folder you may write to, or only read"
        ) from error


def _locked(handle: int, mode: int) -> bool:
    try:
        fcntl.flock(handle, mode | fcntl.LOCK_NB)
    except BlockingIOError:
        return False
    return True


def _is_still(path: Path, handle: int) -> bool:
    """Whether the locked file is the one that lies there now, not one its last owner has just removed."""
    try:
        there = path.stat()
    except FileNotFoundError:
        return False
    return there.st_ino == os.fstat(handle).st_ino
