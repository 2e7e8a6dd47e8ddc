"""The user files of the demo: bench, weights, plans."""

from __future__ import annotations

from importlib import resources
from pathlib import Path


def copy_demo_files(folder: Path, *names: str) -> Path:
    """Copy these files of the demo into ``folder``, which is returned."""
    for name in names:
        source = resources.files("anviltrace.cli.demo") / name
        (folder / name).write_text(source.read_text(encoding="utf-8"), encoding="utf-8")
    return folder
