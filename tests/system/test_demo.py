"""The demo as a newcomer runs it: the whole job, and what it leaves behind."""

from __future__ import annotations

import csv
import json
import math
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

from anviltrace.archive.archive import Archive
from anviltrace.capture.lines import candidates
from anviltrace.records import Calibration, Claim, Decision, Run, RunKind, RunState, Zero
from anviltrace.units import NM_PER_LBF_FT
from anviltrace.virtual import scenario

COMMAND = [sys.executable, "-c", "from anviltrace.cli.main import main; main()"]
CONDITIONS, REPEATS = 10, 3


def _anviltrace(*arguments: str, folder: Path) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [*COMMAND, *arguments], cwd=folder, capture_output=True, text=True, timeout=240, check=False
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


def _metric(demo: dict[str, Any], condition: str, name: str) -> dict[str, Any]:
    (found,) = [one for one in demo["conditions"] if one["condition"] == condition]
    metric: dict[str, Any] = found["metrics"][name]
    return metric


def test_every_condition_is_recorded_and_one_run_is_interrupted(demo: dict[str, Any]) -> None:
    assert demo["findings"] == []
    assert [one["n"] for one in demo["conditions"]] == [REPEATS] * CONDITIONS
    states = [run["state"] for run in demo["runs"]]
    assert states == ["finished"] * (CONDITIONS * REPEATS) + ["interrupted"]
    assert demo["conditions"][0]["left_out"] == "1 interrupted"


def test_torque_tells_the_conditions_apart(demo: dict[str, Any]) -> None:
    tightening = "{} · {} · fishplate bolt, tightening"
    fresh, tired, short, heavy = (
        _metric(demo, tightening.format(tool, supply), "retained_final")
        for tool, supply in (
            ("Ostrelby", "fresh pack"),
            ("Ostrelby", "tired pack"),
            ("Vennick short", "fresh pack"),
            ("Quarrowdale heavy", "fresh pack"),
        )
    )
    assert heavy["mean"] > fresh["mean"] > short["mean"] > tired["mean"] > 100.0
    assert all(0.0 < one["expanded"] < 0.2 * one["mean"] for one in (fresh, tired, short, heavy))
    loosened = _metric(demo, "Ostrelby · fresh pack · fishplate bolt, loosening", "retained_final")
    assert abs(loosened["mean"]) < 3.0 * loosened["expanded"] + 0.5  # the bolt is loose
    assert fresh["unit"] == "N·m"


def test_the_calibration_holds_what_nature_knows(demo: dict[str, Any], demo_folder: Path) -> None:
    # what the tester states is the folder's weights file; what is so is the scenario's, which he cannot see
    made = scenario.load("fishplate-held")
    with Archive.open(demo_folder / demo["archive"], read_only=True) as archive:
        assert [one.sign for one in archive.all(Calibration)] == [1, -1]
        for candidate in candidates(archive):
            line, per_count = candidate.fit().line, candidate.settings.mv_per_v_per_count
            assert per_count is not None
            sensitivity = line.counts_per_nm * per_count
            true = made.transducer.sensitivity_mv_per_v_per_nm
            # hysteresis and remounting (0.1 % together) are nobody's fault and in no single calibration
            assert sensitivity == pytest.approx(true, rel=2.0 * line.u_relative + 1.5e-3)


def test_the_archive_holds_zeros_decisions_claims_and_complete_runs(
    demo: dict[str, Any], demo_folder: Path
) -> None:
    with Archive.open(demo_folder / demo["archive"], read_only=True) as archive:
        runs = archive.all(Run)
        measurements = [run for run in runs if run.kind is RunKind.MEASUREMENT]
        finished = [run for run in measurements if run.state is RunState.FINISHED]
        assert all(run.samples == run.samples_total for run in finished)
        assert all(not archive.gaps(run.id) for run in finished)
        assert all(run.rate_hz == pytest.approx(7500 * (1 + 38e-6), rel=2e-6) for run in finished)
        assert len(archive.all(Zero)) == CONDITIONS * (REPEATS + 1) + 1
        assert [one.verdict for one in archive.all(Decision)] == ["keep"] * (CONDITIONS * REPEATS)
        assert len(archive.all(Claim)) == 4
        assert "unplugged" in measurements[-1].end_reason


def test_the_report_lies_in_the_folder(demo: dict[str, Any], demo_folder: Path) -> None:
    page, picture, drawing, runs, metrics = (demo_folder / path for path in demo["report"])
    assert "A wrench for fishplate bolts" in page.read_text(encoding="utf-8")
    assert picture.read_bytes().startswith(b"\x89PNG")
    assert "<svg" in drawing.read_text(encoding="utf-8")
    with runs.open(encoding="utf-8", newline="") as file:
        assert len(list(csv.reader(file))) == 1 + CONDITIONS * REPEATS + 1
    assert "N·m" in metrics.read_text(encoding="utf-8")


def test_verify_agrees(demo: dict[str, Any], demo_folder: Path) -> None:
    done = _anviltrace("archive", "verify", "--archive", demo["archive"], folder=demo_folder)
    assert done.returncode == 0, done.stdout + done.stderr


def test_the_same_numbers_in_lbf_ft(demo: dict[str, Any], demo_folder: Path) -> None:
    words = ("compare", "--json", "--metric", "retained_final", "--archive", demo["archive"])
    plain = json.loads(_anviltrace(*words, folder=demo_folder).stdout)
    other = json.loads(_anviltrace(*words, "--units", "lbf-ft", folder=demo_folder).stdout)
    means = [[row["metrics"][0]["mean"] for row in data["conditions"]] for data in (plain, other)]
    assert all(
        math.isclose(nm, lbf_ft * NM_PER_LBF_FT, rel_tol=1e-9) for nm, lbf_ft in zip(*means, strict=True)
    )


def test_the_files_it_leaves_are_ordinary_ones(demo: dict[str, Any], demo_folder: Path) -> None:  # noqa: ARG001
    # the tester records a run of his own with them, on another rig, which is not calibrated
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
    assert "No torque: no calibration for clockwise torque on this rig" in done.stderr
    (run,) = json.loads(done.stdout)["runs"]
    assert run["state"] == "finished"
    assert run["onset_s"] is not None
    assert run["gaps"] == 0
    metrics = _anviltrace(
        "metrics", run["id"][:8], "--archive", "own.anviltrace", folder=demo_folder / "demo"
    )
    assert metrics.returncode == 0, metrics.stderr
    assert "no calibration for clockwise torque" in metrics.stdout
    assert "mV/V" in metrics.stdout
