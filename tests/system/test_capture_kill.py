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
from anviltrace.metrics.evaluate import evaluate
from anviltrace.metrics.facts import gather
from anviltrace.records import Quantity, Run, RunState, Settings

KILLS = 4
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
    stored = _record_and_kill(tmp_path, "fishplate-held", trial)
    with Archive.open(tmp_path / "bench.anviltrace") as archive:
        killed = archive.all(Run)[-1]
        assert killed.state is RunState.INTERRUPTED
        assert killed.samples >= stored > 0
        assert len(archive.counts(killed.id)) == killed.samples
        assert archive.verify() == []


def test_a_killed_capture_keeps_its_side_channels(tmp_path: Path) -> None:
    """All channels are there, sealed, on a clock of measured rates, but for what came last: two seconds of
    signal at most, one of waiting and one that a fast virtual board was ahead."""
    stored = _record_and_kill(tmp_path, "fishplate-sensors", KILLS, least_s=2.0)
    with Archive.open(tmp_path / "bench.anviltrace") as archive:
        killed = archive.all(Run)[-1]
        assert killed.state is RunState.INTERRUPTED
        assert killed.samples >= stored
        assert killed.rate_hz is not None
        channels = {channel.quantity: channel for channel in archive.sides(killed.id)}
        assert set(channels) == set(Quantity) - {Quantity.HANDLE_ROTATION}
        assert archive.verify() == []
        for channel in channels.values():
            assert channel.seal is not None
            ends_s = channel.start_s + channel.samples / channel.rate_hz
            assert ends_s > killed.samples / killed.rate_hz - 2.0 >= 0.0
            assert sum(len(counts) for _, counts in archive.side_pieces(channel.id)) == channel.samples
        assert channels[Quantity.HANDLE_X].rate_hz == pytest.approx(3200 * 1.0083, rel=2e-3)
        assert evaluate(gather(archive, killed)).value("supply_open") is not None


def _record_and_kill(folder: Path, port: str, trial: int, least_s: float = 0.0) -> int:
    """Kill a recording some time after it stored samples; returns how many were stored by then."""
    (folder / "long.toml").write_text(PLAN)
    (folder / "bench.toml").write_text(BENCH)
    archive_path = folder / "bench.anviltrace"
    with (folder / "said.txt").open("w") as said:
        process = subprocess.Popen(
            [
                *(sys.executable, "-c", COMMAND, "capture", "long.toml", "--yes"),
                *("--tool", "Ostrelby", "--supply", "fresh pack", "--archive", str(archive_path)),
                *("--port", f"virtual://{port}?seed={trial}"),
            ],
            cwd=folder,
            stdout=said,
            stderr=said,
        )
        stored = _wait_for_samples(archive_path, process, folder / "said.txt", least_s)
        time.sleep(random.Random(trial).uniform(0.0, 0.7))
        process.send_signal(signal.SIGKILL)
        process.wait(30)
    return stored


def _wait_for_samples(path: Path, process: subprocess.Popen[bytes], said: Path, least_s: float) -> int:
    """Wait until a second run (the first is the zero reading) has samples; return how many are stored."""
    deadline = time.monotonic() + 60
    while time.monotonic() < deadline:
        assert process.poll() is None, said.read_text()
        if path.exists():
            with Archive.open(path, read_only=True) as archive:
                runs = archive.all(Run)
                stored = len(archive.counts(runs[-1].id)) if len(runs) > 1 else 0
                rate_hz = archive.get(Settings, runs[-1].settings_id).rate_hz if stored else 1.0
            if stored > least_s * rate_hz:
                return stored
        time.sleep(0.02)
    pytest.fail("no samples within 60 s: " + said.read_text())
