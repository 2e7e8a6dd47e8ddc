"""Files written into a folder, each as a whole."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

from anviltrace.errors import AnalysisError


def write_files(folder: Path, contents: Mapping[str, bytes]) -> list[Path]:
    """Write files, by name, into ``folder``, made if need be; files of these names are replaced.

    Returns the paths in the order given. Raises AnalysisError when the folder cannot be written to.
    """
    try:
        folder.mkdir(parents=True, exist_ok=True)
        return [_write(folder / name, content) for name, content in contents.items()]
    except OSError as error:
        raise AnalysisError(f"{error.filename or folder}: {error.strerror}; choose another folder") from error


def _write(path: Path, content: bytes) -> Path:
    """Write beside the file and rename, so that a broken-off report leaves no half file."""
    part = path.with_name(f".{path.name}.part")
    part.write_bytes(content)
    part.replace(path)
    return path
