"""What is installed from a wheel is whole: every file of host, wire package and device is in it."""

from __future__ import annotations

import subprocess
import sys
import zipfile
from pathlib import Path

import pytest

PLACES = {"host/anviltrace": "anviltrace", "protocol/anvilwire": "anvilwire", "device": "anviltrace/_device"}


def test_wheel_holds_every_file(root: Path, tmp_path: Path) -> None:
    pytest.importorskip("hatchling", reason="hatchling is not installed: pip install -e '.[test]'")
    subprocess.run(
        [sys.executable, "-m", "hatchling", "build", "-t", "wheel", "-d", str(tmp_path)],
        cwd=root, check=True, capture_output=True,
    )  # fmt: skip
    (wheel,) = tmp_path.glob("*.whl")
    with zipfile.ZipFile(wheel) as opened:
        packed = {name for name in opened.namelist() if ".dist-info/" not in name}
    wanted = {
        f"{target}/{path.relative_to(root / source).as_posix()}"
        for source, target in PLACES.items()
        for path in (root / source).rglob("*")
        if path.is_file() and "__pycache__" not in path.parts and path.name != "mypy.ini"
    }
    assert packed == wanted
