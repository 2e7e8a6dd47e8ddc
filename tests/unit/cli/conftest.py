"""The command line as a test calls it, in this process."""

from __future__ import annotations

import sys
from collections.abc import Callable
from pathlib import Path
from typing import NamedTuple

import pytest
import recorded

from anviltrace.cli.main import main


class Outcome(NamedTuple):
    """What a command came to."""

    code: int
    out: str
    err: str


@pytest.fixture
def run_command(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> Callable[..., Outcome]:
    """``run_command(archive, "list", "--json")`` runs ``anviltrace list --json`` on that archive."""

    def run(archive: Path, *words: str) -> Outcome:
        monkeypatch.setattr(sys, "argv", ["anviltrace", *words])
        monkeypatch.setenv("ANVILTRACE_ARCHIVE", str(archive))
        with pytest.raises(SystemExit) as ended:
            main()
        return Outcome(int(ended.value.code or 0), *capsys.readouterr())

    return run


@pytest.fixture(scope="session")
def bench(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """An archive with two kept runs, and runs that are left out."""
    path = tmp_path_factory.mktemp("bench") / "bench.anviltrace"
    recorded.record(path)
    return path
