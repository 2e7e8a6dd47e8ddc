"""The tap test on the virtual rig, from the command to the record."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from anviltrace.archive import Archive
from anviltrace.capture.tap import ring_down_for, ring_downs
from anviltrace.cli.main import cli
from anviltrace.records import Fitting, RingDown, Run, RunKind, Session
from anviltrace.virtual.scenario import load

BENCH = """
[rig]
name = "stud rig"
kind = "fixed"

[[fitting]]
name = "30 mm socket"
"""


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    (tmp_path / "bench.toml").write_text(BENCH, encoding="utf-8")
    return tmp_path


def tap(folder: Path, *words: str, scenario: str = "fishplate-fixed") -> Result:
    files = ["--bench", str(folder / "bench.toml"), "--archive", str(folder / "bench.anviltrace")]
    port = ["--port", f"virtual://{scenario}?seed=3"]
    return CliRunner().invoke(cli, ["board", "tap", "--taps", "3", *files, *port, *words])


def test_a_tap_test_goes_on_record(folder: Path) -> None:
    told = tap(folder, "--fitting", "30 mm socket", "--note", "after regluing", "--json")
    assert told.exit_code == 0, told.output
    facts, truth = json.loads(told.stdout), load("fishplate-fixed").transducer
    assert facts["natural_hz"] == pytest.approx(truth.natural_hz, abs=4.0 * facts["natural_u_hz"])
    assert facts["damping_ratio"] == pytest.approx(truth.damping, abs=4.0 * facts["damping_u"])
    assert facts["damping_u"] < 0.01 * truth.damping
    assert (facts["doubts"], len(facts["taps"]), facts["fitting"]) == ([], 3, "30 mm socket")
    with Archive.open(folder / "bench.anviltrace", read_only=True) as archive:
        (made,) = archive.all(RingDown)
        run = archive.get(Run, made.run_id)
        rig_id = archive.get(Session, made.session_id).rig_id
        (fitting,) = archive.all(Fitting)
        assert (made.id, made.taps, made.note) == (facts["id"], 3, "after regluing")
        assert (run.kind, run.fitting_id, made.fitting_id) == (RunKind.TAP, fitting.id, fitting.id)
        of_rig = ring_downs(archive, rig_id)
        assert ring_down_for(of_rig, fitting.id, "2026-01-01T00:00:00.000Z") == made
        assert ring_down_for(of_rig, None, made.taken_at) is None
        assert ring_downs(archive, "another rig") == []
        assert archive.verify() == []


def test_a_converter_that_is_too_slow_is_refused_before_anything_is_recorded(folder: Path) -> None:
    refused = tap(folder, scenario="deadweight-hx711")
    assert refused.exit_code != 0
    assert "80 samples a second cannot show how a rig rings" in str(refused.exception)
    with Archive.open(folder / "bench.anviltrace", read_only=True) as archive:
        assert archive.all(Run) == []
