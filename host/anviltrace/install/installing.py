"""The device files onto a board: laid out, compiled, copied, checked by hash; upgrades leave no remains."""

from __future__ import annotations

import hashlib
import json
import shutil
import tempfile
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path, PurePosixPath

from anviltrace import __version__
from anviltrace.errors import InstallError
from anviltrace.firmware import BoardSettings, lay_out
from anviltrace.install.precompile import why_not_precompiled
from anviltrace.install.remote import FOLDER, MANIFEST, Remote, Survey

_RESERVE_BYTES = 8192
"""Left free on the board: a file system that is full to the brim fails."""


@dataclass(frozen=True, slots=True)
class Installed:
    """What was done to a board; ``not_compiled_because`` is empty where the files were compiled."""

    machine: str
    micropython: str
    not_compiled_because: str
    copied: tuple[str, ...]
    unchanged: tuple[str, ...]
    removed: tuple[str, ...]


def install(
    remote: Remote,
    settings: BoardSettings,
    settings_file: Path,
    *,
    replace: bool = False,
    tell: Callable[[str], None] = lambda words: None,  # noqa: ARG005
) -> Installed:
    """Put the device files and a builder's settings file on a board at its prompt.

    Only what differs is copied, ``main.py`` last; then every file is read back and its hash compared. Files
    an earlier installation put there and this one does not need are removed. The board is not restarted.

    Raises:
        InstallError: files that are not ours, or settings changed on the board, would be overwritten and
            ``replace`` is not set; there is no room; or a file is not on the board as it should be.
    """
    with tempfile.TemporaryDirectory(prefix="anviltrace-install-") as name:
        folder = Path(name)
        possible = [file.path for file in lay_out(folder, settings)]
        board = remote.survey({*possible, *map(_twin, possible), *_folders(possible)})
        tell(f"{board.machine}, MicroPython {board.micropython}")
        shutil.copyfile(settings_file, folder / "settings.py")
        reason = why_not_precompiled(folder, board.dialect)
        wanted = _digests(folder)
        if not replace:
            _refuse_to_overwrite(board, wanted)
        copied, removed = _changes(board, wanted)
        _must_have_room(board, sum((folder / path).stat().st_size for path in copied))
        tell(f"copying {len(copied)} of {len(wanted)} files")
        _carry_out(remote, folder, board, wanted, copied, removed)
    unchanged = tuple(path for path in wanted if path not in copied)
    return Installed(board.machine, board.micropython, reason, copied, unchanged, removed)


def _carry_out(
    remote: Remote,
    folder: Path,
    board: Survey,
    wanted: Mapping[str, str],
    copied: tuple[str, ...],
    removed: tuple[str, ...],
) -> None:
    """The manifest goes first, naming old and new, so that what breaks off here is known next time.

    It keeps the old digests until the new files are proven, so that nobody takes them for edited.
    """
    ours = {**wanted, **board.installed}
    _write_manifest(folder, ours)
    missing = [name for name in _folders(wanted) if board.digests[name] != FOLDER]
    found = remote.put(folder, [MANIFEST, *copied], missing, removed).digests
    if wrong := [path for path, digest in wanted.items() if found[path] != digest]:
        raise InstallError(f"{wrong[0]} on the board is not what was copied: its memory may fail; try again")
    if ours != wanted:
        _write_manifest(folder, wanted)
        remote.put(folder, [MANIFEST])


def _changes(board: Survey, wanted: Mapping[str, str]) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """What to copy, ``main.py`` last, and what to remove: what we had put there, or what hides a new file."""
    copied = [path for path, digest in wanted.items() if board.digests[path] != digest]
    there = {path for path, digest in board.digests.items() if digest not in (None, FOLDER)}
    remains = there & ({*board.installed} | {*map(_twin, wanted)}) - {*wanted}
    return tuple(sorted(copied, key=lambda path: (path == "main.py", path))), tuple(sorted(remains))


def _refuse_to_overwrite(board: Survey, wanted: Mapping[str, str]) -> None:
    for path in sorted({*wanted, *map(_twin, wanted)}):
        there = board.digests[path]
        if there in (None, wanted.get(path)):
            continue
        if path not in board.installed:
            raise InstallError(
                f"{path} on the board was not put there by anviltrace board install: save what you need of "
                "it, then use --replace; nothing was changed"
            )
        if path == "settings.py" and there != board.installed[path]:
            raise InstallError(
                "settings.py was edited on the board since it was installed: fetch it (mpremote cp "
                ":settings.py .) and install that, or use --replace; nothing was changed"
            )


def _must_have_room(board: Survey, needed: int) -> None:
    if needed + _RESERVE_BYTES > board.free_bytes:
        raise InstallError(
            f"the board has {board.free_bytes} bytes free and {needed + _RESERVE_BYTES} are needed: remove "
            "files of yours from it; nothing was changed"
        )


def _digests(folder: Path) -> dict[str, str]:
    return {
        path.relative_to(folder).as_posix(): hashlib.sha256(path.read_bytes()).hexdigest()
        for path in sorted(folder.rglob("*"))
        if path.is_file()
    }


def _folders(paths: Iterable[str]) -> list[str]:
    """Every folder the paths lie in, parents first."""
    parents = {str(parent) for path in paths for parent in PurePosixPath(path).parents}
    return sorted(parents - {"."})


def _twin(path: str) -> str:
    """The source of a compiled file, the compiled file of a source: where both are, Python takes one."""
    suffix = ".py" if path.endswith(".mpy") else ".mpy"
    return str(PurePosixPath(path).with_suffix(suffix))


def _write_manifest(folder: Path, files: Mapping[str, str]) -> None:
    text = json.dumps({"anviltrace": __version__, "files": dict(sorted(files.items()))})
    (folder / MANIFEST).write_text(text, encoding="utf-8")
