"""Fixtures for tests of the device script on the virtual board."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
from collections.abc import Callable
from functools import cache
from pathlib import Path
from typing import Any

import pytest
from boardscripts import SCRIPTS

from anviltrace import firmware
from anviltrace.firmware import BoardSettings, LaidOutFile
from anviltrace.virtual.board import BoardProcess


@pytest.fixture
def power_up_with(monkeypatch: pytest.MonkeyPatch) -> Callable[[str], None]:
    """Let virtual boards start with a script of tests/device/scripts in place of power_up.py."""

    def choose(name: str) -> None:
        script = str(SCRIPTS / name)
        plain = BoardProcess._command

        def command(self: BoardProcess, arguments: list[str]) -> tuple[list[str], dict[str, str]]:
            words, environment = plain(self, arguments)
            return [script if word.endswith("power_up.py") else word for word in words], environment

        monkeypatch.setattr(BoardProcess, "_command", command)

    return choose


@pytest.fixture
def add_files(monkeypatch: pytest.MonkeyPatch) -> Callable[[dict[str, Path]], None]:
    """Let virtual boards have more files: the keys are paths on the board, the values what to copy there."""

    def add(files: dict[str, Path]) -> None:
        def lay_out(folder: Path, settings: BoardSettings) -> list[LaidOutFile]:
            laid_out = firmware.lay_out(folder, settings)
            for path, source in files.items():
                shutil.copyfile(source, folder / path)
            return laid_out

        monkeypatch.setattr("anviltrace.virtual.board.lay_out", lay_out)

    return add


@pytest.fixture
def silicon(root: Path) -> Path:
    """The folder of the simulated hardware."""
    return root / "host" / "anviltrace" / "virtual" / "silicon"


@pytest.fixture
def run_check(
    root: Path, silicon: Path, interpreter: str, run_script: Callable[..., str]
) -> Callable[..., str]:
    """Run a check of a script on the simulated hardware, beside the board's files; return what it printed."""
    fakes = silicon if interpreter == "micropython" else silicon / "cpython"
    folders = [fakes, root / "device", root / "protocol"]

    def run(script: str, check: str, *arguments: str, ends: bool = False) -> str:
        return run_script(
            interpreter, SCRIPTS / script, str(silicon), check, *arguments, folders=folders, ends=ends
        )

    return run


@pytest.fixture
def emulate(pio_python: str) -> Callable[[str, str], dict[str, Any]]:
    """Run a script with a PIO program, a list of opcodes as JSON, in the emulator; return what it found."""
    return lambda script, program: _emulated(pio_python, script, program)


@cache
def _emulated(pio_python: str, script: str, program: str) -> dict[str, Any]:
    done = subprocess.run(
        [pio_python, str(SCRIPTS / script), program], capture_output=True, text=True, timeout=120, check=False
    )
    assert done.returncode == 0, done.stderr
    results: dict[str, Any] = json.loads(done.stdout)
    assert results["assembled"] == json.loads(program)
    return results


@pytest.fixture
def pio_python(root: Path) -> str:
    """An interpreter that has rp2040-pio-emulator and adafruit_pioasm."""
    usual = root / ".venv-pio" / "bin" / "python"
    named = os.environ.get("ANVILTRACE_PIO_PYTHON", str(usual))
    tools = [named, "-c", "import pioemu, adafruit_pioasm"]
    if not Path(named).is_file() or subprocess.run(tools, capture_output=True, check=False).returncode:
        pytest.skip("no PIO emulator: .ci/run makes .venv-pio with rp2040-pio-emulator, where it can be had")
    return named
