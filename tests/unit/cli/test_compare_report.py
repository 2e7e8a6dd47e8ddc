"""``anviltrace compare`` and ``anviltrace report``, from the command line to what is printed."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
import recorded

from anviltrace.cli import compare as commands
from anviltrace.units import NM_PER_LBF_FT


@pytest.fixture
def call(bench: Path, run_command):
    """Run ``anviltrace ...`` on an archive of two kept runs."""
    return lambda *words, archive=bench: run_command(archive, *words)


def test_compare_shows_mean_uncertainty_spread_and_claims(call) -> None:
    outcome = call("compare")
    assert (outcome.code, outcome.err) == (0, "")
    assert "fishplate tightening: tightening, clockwise on a right-hand thread" in outcome.out
    assert "final retained torque, N·m" in outcome.out
    assert "Anvil Hare 18: maximum torque, 420 N·m claimed (box)" in outcome.out
    assert "1 discarded, 1 interrupted" in outcome.out
    assert "by chance alone" in outcome.out


@pytest.mark.parametrize("columns", [80, 100])
def test_compare_keeps_within_its_columns(call, monkeypatch: pytest.MonkeyPatch, columns: int) -> None:
    monkeypatch.setattr(commands, "WIDTH_WITHOUT_TERMINAL", columns)
    lines = call("compare").out.splitlines()
    assert max(map(len, lines)) <= columns
    assert not any("…" in line for line in lines)  # nothing is cut off


def test_compare_as_data_agrees_with_what_is_printed(call) -> None:
    data = json.loads(call("compare", "--json").out)
    (condition,) = data["conditions"]
    assert [len(condition[which]) for which in ("kept", "discarded", "interrupted")] == [2, 1, 1]
    retained = next(entry for entry in condition["metrics"] if entry["name"] == "retained_final")
    assert retained["unit"] == "N·m"
    assert retained["n"] == 2
    assert retained["expanded"] >= 1.9 * retained["common"] > 0.0
    assert retained["best"] >= retained["mean"]
    assert f"{retained['mean']:.4g}"[:3] in call("compare", "--metric", "retained_final").out
    claim = next(entry for entry in data["claims"] if entry["metric"] == "retained_final")
    assert claim["ratio"] == pytest.approx(retained["mean"] / 420.0)
    assert any("what the joint keeps" in text for text in claim["differences"])


def test_compare_in_another_unit(call) -> None:
    words = ("compare", "--json", "--metric", "retained_final")
    here, there = (json.loads(call(*words, *more).out) for more in ((), ("--units", "lbf-ft")))
    mean, english = (data["conditions"][0]["metrics"][0]["mean"] for data in (here, there))
    assert mean == pytest.approx(english * NM_PER_LBF_FT)
    assert there["claims"][0]["unit"] == "lbf·ft"


@pytest.mark.parametrize(
    ("words", "named"),
    [(("--metric", "might"), "there is no metric 'might'"), (("--tool", "Nobody"), "runs of: Anvil Hare 18")],
)
def test_what_there_is_not_is_one_line(call, words: tuple[str, ...], named: str) -> None:
    outcome = call("compare", *words)
    assert (outcome.code, outcome.out) == (11, "")
    assert named in outcome.err
    assert len(outcome.err.splitlines()) == 1


def test_an_archive_without_runs_is_one_line(call, tmp_path: Path) -> None:
    empty = tmp_path / "empty"
    recorded.record(empty, runs=0)
    for command in (("compare",), ("report", str(tmp_path / "out"))):
        outcome = call(*command, archive=empty)
        assert outcome.code == 11
        assert "anviltrace capture" in outcome.err
    assert not (tmp_path / "out").exists()


def test_without_a_calibration_readings_are_compared_and_torque_is_withheld(call, tmp_path: Path) -> None:
    path = tmp_path / "raw"
    recorded.record(path, calibrated=False)
    outcome = call("compare", archive=path)
    assert outcome.code == 0
    assert "greatest reading, mV/V" in outcome.out
    assert "withheld: no calibration for clockwise torque" in outcome.out.replace("\n", " ")


def test_report_writes_files_and_names_them(call, tmp_path: Path) -> None:
    outcome = call("report", str(tmp_path / "out"), "--title", "Two runs")
    assert outcome.code == 0
    assert "report.html" in outcome.out
    assert "writing the report" in outcome.err
    assert "<title>Two runs</title>" in (tmp_path / "out" / "report.html").read_text(encoding="utf-8")


def test_report_as_data(call, tmp_path: Path) -> None:
    listed = json.loads(call("report", str(tmp_path / "out"), "--json", "--units", "lbf-ft").out)
    assert Path(listed[0]["file"]).name == "report.html"
    assert all(Path(entry["file"]).stat().st_size == entry["size_bytes"] for entry in listed)
    assert "lbf·ft" in (tmp_path / "out" / "metrics.csv").read_text(encoding="utf-8")
