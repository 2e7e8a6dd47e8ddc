"""The demo as a newcomer runs it, and what it leaves behind."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

from anviltrace.archive.archive import Archive
from anviltrace.records import Decision, GapCause, Run, RunKind, RunState, Zero

COMMAND = [sys.executable, "-c", "from anviltrace.cli.main import main; main()"]


def _anviltrace(*arguments: str, folder: Path) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [*COMMAND, *arguments], cwd=folder, capture_output=True, text=True, timeout=120, check=False
    )


@pytest.fixture(scope="module")
def demo_folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("demo")


@pytest.fixture(scope="module")
def demo(demo_folder: Path) -> dict[str, Any]:
    done = _anviltrace("demo", "--json", folder=demo_folder)
    assert done.returncode == 0, done.stderr
    result: dict[str, Any] = json.loads(done.stdout)
    return result


def test_it_records_both_directions_and_keeps_an_interrupted_run(demo: dict[str, Any]) -> None:
    runs = demo["runs"]
    assert [run["duty"] for run in runs] == ["tightening"] * 4 + ["loosening", "tightening"]
    assert [run["state"] for run in runs] == ["finished"] * 5 + ["interrupted"]
    assert demo["findings"] == []
    for run in runs[:5]:
        assert run["samples"] == run["samples_total"]
        assert run["gaps"] == 0
        assert 1.0 < run["onset_s"] < 5.0  # a busy host lets virtual time run up to a second ahead
    assert runs[5]["samples_total"] is None
    assert "unplugged" in runs[5]["end_reason"]


def test_the_readings_are_those_of_the_scenario(demo: dict[str, Any]) -> None:
    # rate: nominal 7500 S/s and the scenario's 38 ppm; blows push on, loosening turns the sign
    fresh, _, tired, _, loose, _ = demo["runs"]
    assert fresh["rate_hz"] == pytest.approx(7500 * (1 + 38e-6), rel=2e-6)
    assert fresh["greatest_mv_per_v"] > tired["greatest_mv_per_v"] > 0
    assert fresh["rest_mv_per_v"] > tired["rest_mv_per_v"] > 0
    assert loose["greatest_mv_per_v"] < 0
    assert abs(loose["rest_mv_per_v"]) < 0.01


def test_the_archive_holds_zeros_decisions_and_complete_runs(demo: dict[str, Any], demo_folder: Path) -> None:
    with Archive.open(demo_folder / demo["archive"], read_only=True) as archive:
        runs = archive.all(Run)
        measurements = [run for run in runs if run.kind is RunKind.MEASUREMENT]
        assert [run.state for run in measurements] == [RunState.FINISHED] * 5 + [RunState.INTERRUPTED]
        assert len(archive.all(Zero)) == 3 + 3 + 2 + 1
        assert [decision.verdict for decision in archive.all(Decision)] == ["keep"] * 5
        assert all(gap.cause is not GapCause.CONVERTER for run in runs for gap in archive.gaps(run.id))


def test_verify_agrees(demo: dict[str, Any], demo_folder: Path) -> None:
    done = _anviltrace("archive", "verify", "--archive", demo["archive"], folder=demo_folder)
    assert done.returncode == 0, done.stdout + done.stderr


def test_the_files_it_leaves_are_ordinary_ones(demo: dict[str, Any], demo_folder: Path) -> None:  # noqa: ARG001
    # the tester records a run of his own with them, on another rig
    plan = demo_folder / "demo" / "short.toml"
    plan.write_text(
        'name = "short"\nrotation = "cw"\nthread = "none"\nduty = "locked"\nstart = "slack"\ndrive_s = 0.5\n'
    )
    done = _anviltrace(
        *("capture", "short.toml", "--tool", "Vennick short", "--supply", "mains adapter", "--yes", "--json"),
        *("--port", "virtual://fishplate-fixed?seed=2", "--archive", "own.anviltrace"),
        folder=demo_folder / "demo",
    )
    assert done.returncode == 0, done.stderr
    (run,) = json.loads(done.stdout)["runs"]
    assert run["state"] == "finished"
    assert run["onset_s"] is not None
    assert run["gaps"] == 0
