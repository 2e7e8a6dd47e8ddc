"""Shunt readings on the virtual rig: right within their interval, and a wrong resistor or gain is noticed."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner
from demofiles import copy_demo_files

from anviltrace.archive import Archive
from anviltrace.cli.main import cli
from anviltrace.records import Run, RunKind, ShuntReading

TRUE_ARM_OHM, TRUE_RESISTOR_OHM = 350.4, 99_963.0
"""What the scenario says nature made; the weights file says 350 and 100,000."""
OTHER_RESISTOR = """
based_on = "deadweight-hx711"
[shunts]
"100 kilohm" = { resistor_ohm = 98_500.0 }
"""
OTHER_GAIN = """
based_on = "fishplate-held"
[converter]
name = "ads1256"
excitation_v = 4.968
reference_v = 2.45
"""
"""The reference lost 2 %: every reading comes out as much too large."""


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The demo's user files."""
    folder = tmp_path_factory.mktemp("shunt")
    copy_demo_files(folder, "bench.toml", "weights.toml")
    (folder / "resistor.toml").write_text(OTHER_RESISTOR, encoding="utf-8")
    (folder / "gain.toml").write_text(OTHER_GAIN, encoding="utf-8")
    return folder


def run(folder: Path, command: str, scenario: str, *more: str) -> dict[str, Any]:
    files = ["--inventory", str(folder / "weights.toml"), "--bench", str(folder / "bench.toml")]
    port = ["--port", f"virtual://{scenario}?seed=4", "--archive", str(folder / "bench.anviltrace"), "--json"]
    done = CliRunner().invoke(cli, ["calibration", command, *files, *port, *more], catch_exceptions=False)
    assert done.exit_code == 0, done.output
    facts: dict[str, Any] = json.loads(done.stdout)
    return facts


def true_mv_per_v() -> float:
    """The circuit as nature made it: the shunted arm below its neighbour, less one half."""
    shunted = TRUE_ARM_OHM * TRUE_RESISTOR_OHM / (TRUE_ARM_OHM + TRUE_RESISTOR_OHM)
    return 1000.0 * (0.5 - shunted / (shunted + TRUE_ARM_OHM))


def test_the_right_value_lies_in_its_interval(folder: Path) -> None:
    facts = run(folder, "shunt", "deadweight-hx711")
    true = true_mv_per_v()
    assert abs(facts["reading_mv_per_v"] - true) < max(facts["reading_expanded_mv_per_v"], 2e-5 * true)
    assert abs(facts["computed_mv_per_v"] - true) < facts["computed_expanded_mv_per_v"]
    assert facts["agrees"] is True


def test_another_resistor_is_noticed(folder: Path) -> None:
    sound = run(folder, "shunt", "deadweight-hx711")
    facts = run(folder, "shunt", str(folder / "resistor.toml"))
    assert facts["agrees"] is False
    assert (facts["since_last"]["id"], facts["since_last"]["holds"]) == (sound["id"], False)
    share = TRUE_RESISTOR_OHM / 98_500.0 - 1.0
    assert facts["since_last"]["percent"] == pytest.approx(100.0 * share, rel=0.01)


def test_another_gain_is_noticed(folder: Path) -> None:
    sound = run(folder, "shunt", "fishplate-held", "--rate", "1000")
    assert (sound["agrees"], sound["since_last"]) == (True, None)
    facts = run(folder, "shunt", str(folder / "gain.toml"), "--rate", "1000")
    assert (facts["agrees"], facts["since_last"]["holds"]) == (False, False)
    assert facts["since_last"]["percent"] == pytest.approx(100.0 * (2.5013 / 2.45 - 1.0), abs=0.01)


def test_a_calibration_has_one_before_and_one_after(folder: Path) -> None:
    made = run(folder, "record", "deadweight-hx711", "--arm", "long arm", "--direction", "cw")
    before, after = made["shunts"]
    assert before["agrees"] is after["agrees"] is after["since_last"]["holds"] is True
    with Archive.open(folder / "bench.anviltrace", read_only=True) as archive:
        assert archive.verify() == []
        assert len(archive.all(ShuntReading, calibration_id=made["id"])) == 2
        kinds = [one.kind for one in archive.all(Run)]
    assert kinds.count(RunKind.CALIBRATION) == 11
