"""Killing the whole recording program in mid-run: nothing acknowledged is lost, the archive opens."""

from __future__ import annotations

import random
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from anviltrace.archive.archive import Archive
from anviltrace.records import Run, RunState

KILLS = 5
PLAN = (
    'name = "long"\nrotation = "cw"\nthread = "right"\nduty = "tightening"\nstart = "slack"\ndrive_s = 60.0\n'
)
BENCH = """
[rig]
name = "stud rig"
kind = "held"
[[tool]]
name = "Ostrelby"
[[supply]]
name = "fresh pack"
kind = "pack"
"""
COMMAND = "from anviltrace.cli.main import main; main()"


@pytest.mark.parametrize("trial", range(KILLS))
def test_a_killed_capture_leaves_a_sound_archive(tmp_path: Path, trial: int) -> None:
    (tmp_path / "long.toml").write_text(PLAN)
    (tmp_path / "bench.toml").write_text(BENCH)
    archive_path = tmp_path / "bench.anviltrace"
    with (tmp_path / "said.txt").open("w") as said:
        process = subprocess.Popen(
            [
                *(sys.executable, "-c", COMMAND, "capture", "long.toml", "--yes"),
                *("--tool", "Ostrelby", "--supply", "fresh pack", "--archive", str(archive_path)),
                *("--port", f"virtual://fishplate-held?seed={trial}"),
            ],
            cwd=tmp_path,
            stdout=said,
            stderr=said,
        )
        stored = _wait_for_samples(archive_path, process, tmp_path / "said.txt")
        time.sleep(random.Random(trial).uniform(0.0, 0.7))
        process.send_signal(signal.SIGKILL)
        process.wait(30)
    with Archive.open(archive_path) as archive:
        killed = archive.all(Run)[-1]
        assert killed.state is RunState.INTERRUPTED
        assert killed.samples >= stored > 0
        assert len(archive.counts(killed.id)) == killed.samples
        assert archive.verify() == []


def _wait_for_samples(path: Path, process: subprocess.Popen[bytes], said: Path) -> int:
    """Wait until a second run (the first is the zero reading) has samples; return how many are stored."""
    deadline = time.monotonic() + 60
    while time.monotonic() < deadline:
        assert process.poll() is None, said.read_text()
        if path.exists():
            with Archive.open(path, read_only=True) as archive:
                runs = archive.all(Run)
                stored = len(archive.counts(runs[-1].id)) if len(runs) > 1 else 0
            if stored:
                return stored
        time.sleep(0.02)
    pytest.fail("no samples within 60 s: " + said.read_text())
