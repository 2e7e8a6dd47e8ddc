"""Fixtures for tests of the device script on the virtual board."""

from __future__ import annotations

import os
import subprocess
from collections.abc import Callable
from pathlib import Path

import pytest

from anviltrace.virtual.board import BoardProcess


@pytest.fixture
def power_up_with(root: Path, monkeypatch: pytest.MonkeyPatch) -> Callable[[str], None]:
    """Let virtual boards start with a script of tests/device/scripts in place of power_up.py."""

    def choose(name: str) -> None:
        script = str(root / "tests" / "device" / "scripts" / name)
        plain = BoardProcess._command

        def command(self: BoardProcess, arguments: list[str]) -> tuple[list[str], dict[str, str]]:
            words, environment = plain(self, arguments)
            return [script if word.endswith("power_up.py") else word for word in words], environment

        monkeypatch.setattr(BoardProcess, "_command", command)

    return choose


@pytest.fixture
def pio_python(root: Path) -> str:
    """An interpreter that has rp2040-pio-emulator and adafruit_pioasm."""
    usual = root / ".venv-pio" / "bin" / "python"
    named = os.environ.get("ANVILTRACE_PIO_PYTHON", str(usual))
    tools = [named, "-c", "import pioemu, adafruit_pioasm"]
    if not Path(named).is_file() or subprocess.run(tools, capture_output=True, check=False).returncode:
        pytest.skip("no PIO emulator: .ci/run makes .venv-pio with rp2040-pio-emulator, where it can be had")
    return named
