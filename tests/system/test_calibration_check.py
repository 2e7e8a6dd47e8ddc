"""Checks with a known weight on the virtual rig: after its calibration, and when nature has changed."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner
from demofiles import copy_demo_files

from anviltrace.archive import Archive
from anviltrace.cli.main import cli
from anviltrace.records import Run, RunKind

OVERLOADED = """
based_on = "deadweight-hx711"
[transducer]
sensitivity_mv_per_v_per_nm = 0.004190
"""
"""The gauges came half loose: 1.5 % more for the same torque than the 0.004127 of the sound rig."""


def run(*arguments: str) -> str:
    done = CliRunner().invoke(cli, ["calibration", *arguments], catch_exceptions=False)
    assert done.exit_code == 0, done.output
    return done.stdout


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The demo's user files beside an archive with a calibration for clockwise torque."""
    folder = tmp_path_factory.mktemp("check")
    copy_demo_files(folder, "bench.toml", "weights.toml")
    run("record", "--arm", "long arm", *common(folder), "--port", "virtual://deadweight-hx711?seed=3")
    return folder


def common(folder: Path) -> list[str]:
    files = ["--inventory", str(folder / "weights.toml"), "--bench", str(folder / "bench.toml")]
    return ["--direction", "cw", *files, "--archive", str(folder / "bench.anviltrace"), "--json"]


def check(folder: Path, port: str, *more: str) -> dict[str, Any]:
    facts: dict[str, Any] = json.loads(
        run("check", "--mass", "check weight", *more, *common(folder), "--port", port)
    )
    return facts


@pytest.mark.parametrize("arm", ["long arm", "short arm"])
def test_a_sound_rig_agrees(folder: Path, arm: str) -> None:
    """The true arms are up to a millimetre off: the other arm's error shows, and is allowed for."""
    facts = check(folder, "virtual://deadweight-hx711?seed=8", "--arm", arm)
    assert facts["agrees"], facts
    assert facts["en"] < 1.0
    assert abs(facts["difference_percent"]) < 0.5
    assert ("arm length" in facts["in_common"]) == (arm == "long arm")


def test_a_changed_rig_does_not(folder: Path) -> None:
    scenario = folder / "overloaded.toml"
    scenario.write_text(OVERLOADED, encoding="utf-8")
    facts = check(folder, f"virtual://{scenario}?seed=8", "--arm", "long arm")
    assert not facts["agrees"], facts
    assert facts["difference_percent"] == pytest.approx(100.0 * (0.004190 / 0.004127 - 1.0), abs=0.3)


def test_what_was_recorded_is_whole(folder: Path) -> None:
    check(folder, "virtual://deadweight-hx711?seed=9", "--arm", "long arm")
    with Archive.open(folder / "bench.anviltrace", read_only=True) as archive:
        assert archive.verify() == []
        kinds = [one.kind for one in archive.all(Run)]
    assert kinds.count(RunKind.CHECK) >= 3
