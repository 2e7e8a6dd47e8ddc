"""Calibrations through the whole chain: virtual weights, transducer, converter, board, wire, archive, line.

True sensitivities are computed from what the scenario file says nature made, with the converter's data sheet.
"""

from __future__ import annotations

import json
import shutil
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner
from demofiles import copy_demo_files

from anviltrace.archive import Archive
from anviltrace.calibration.inventory import read_inventory
from anviltrace.calibration.line import LineFit
from anviltrace.capture.benchfile import read_bench
from anviltrace.capture.lines import candidates, line_for
from anviltrace.cli.calibration_record import record_one
from anviltrace.cli.capture import open_session
from anviltrace.cli.main import cli
from anviltrace.link.port import open_port
from anviltrace.link.session import Session as Link
from anviltrace.records import LoadStep, Run, RunKind, Settings

SENSITIVITY_MV_PER_V_PER_NM = 0.004127
HX711_COUNTS_PER_MV_PER_V = 128 * 0x800000 / 500.0
"""HX711 data sheet: full scale is half the analogue supply over the gain; ratiometric, so ±0.5 V/V / 128."""
ADS1256_COUNTS_PER_MV_PER_V = 64 * 0x7FFFFF / (2 * 2501.3) * 4.968
"""ADS1256 data sheet: full scale is twice the reference over the gain; true reference and excitation of the
scenario, which the board does not know."""


@pytest.fixture(scope="module")
def files(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The demo's user files."""
    folder = tmp_path_factory.mktemp("calibration")
    copy_demo_files(folder, "bench.toml", "weights.toml")
    return folder


def calibrate_both(folder: Path, scenario: str, rate_hz: float | None, gain: int | None) -> Settings:
    bench, inventory = read_bench(folder / "bench.toml"), read_inventory(folder / "weights.toml")
    with (
        Archive.open(folder / f"{scenario}.anviltrace", create=True) as archive,
        Link(open_port(f"virtual://{scenario}?seed=11")) as link,
    ):
        settings = link.configure(rate_hz, gain)
        session = open_session(archive, link, bench, settings, "virtual operator")
        for sign in (1, -1):
            record_one(archive, link, session, settings, inventory, inventory.arm("long arm"), sign)
        archive.end_session(session.id)
    return settings


@pytest.fixture(scope="module", params=["deadweight-hx711", "fishplate-held"])
def calibrated(request: pytest.FixtureRequest, files: Path) -> Iterator[tuple[Archive, Settings, float]]:
    """An archive with both directions of a scenario, its settings, and the true counts per N·m."""
    fast = request.param == "fishplate-held"
    settings = calibrate_both(files, request.param, 7500 if fast else None, 64 if fast else None)
    scale = ADS1256_COUNTS_PER_MV_PER_V if fast else HX711_COUNTS_PER_MV_PER_V
    with Archive.open(files / f"{request.param}.anviltrace", read_only=True) as archive:
        yield archive, settings, SENSITIVITY_MV_PER_V_PER_NM * scale


@pytest.mark.parametrize("sign", [1, -1])
def test_true_sensitivity_lies_in_the_stated_interval(
    calibrated: tuple[Archive, Settings, float], files: Path, sign: int
) -> None:
    archive, settings, true = calibrated
    fit = line_for(archive, sign, read_bench(files / "bench.toml").rig.id, settings)
    assert isinstance(fit, LineFit)
    line = fit.line
    for torque_nm in (80.0, 160.0, 320.0):  # low, mid and full; the truth is that of this mounting
        error_nm = line.torque_nm(sign * torque_nm * true) - sign * torque_nm
        assert abs(error_nm) < line.expanded_nm(torque_nm) < 0.006 * torque_nm
    assert line.expanded_nm(line.highest_nm) < 0.004 * line.highest_nm
    assert line.highest_nm == pytest.approx(321.8, abs=0.2)


def test_everything_is_in_the_archive(calibrated: tuple[Archive, Settings, float]) -> None:
    archive, _, _ = calibrated
    runs = archive.all(Run)
    assert {run.kind for run in runs} == {RunKind.CALIBRATION}
    assert len(runs) == 2 * 11
    assert archive.verify() == []


class TestCommands:
    """``anviltrace calibration`` as it is typed."""

    def run(self, *arguments: str) -> str:
        done = CliRunner().invoke(cli, ["calibration", *arguments], catch_exceptions=False)
        assert done.exit_code == 0, done.output
        return done.stdout

    def test_record_list_show(self, files: Path) -> None:
        archive = ["--archive", str(files / "commands.anviltrace")]
        common = ["--inventory", str(files / "weights.toml"), "--bench", str(files / "bench.toml")]
        port = ["--port", "virtual://deadweight-hx711?seed=5"]
        made = json.loads(
            self.run("record", *common, "--arm", "short arm", "--direction", "ccw", *port, *archive, "--json")
        )
        assert made["direction"] == "counter-clockwise"
        assert len(made["steps"]) == 11
        (listed,) = json.loads(self.run("list", *archive, "--json"))
        assert (listed["id"], listed["why_not"]) == (made["id"], "")
        assert made["id"][:8] in self.run("list", *archive)
        said = self.run("show", made["id"][:8], *archive, "--all")
        for words in (
            "What it cannot tell",
            "says nothing about how the rig responds to impacts",
            "arm length",
            "hanger, plate A",
            "N·m",
            "mV/V per N·m",
            "is withheld",
        ):
            assert words in said
        shown = json.loads(self.run("show", made["id"], *archive, "--json", "--units", "lbf-ft"))
        assert shown["torque_unit"] == "lbf·ft"
        assert shown["range"]["highest"] == pytest.approx(made["range"]["highest"] / 1.3558179483, rel=1e-9)
        assert shown["sensitivity"]["counts_per_torque_unit"] == pytest.approx(
            made["sensitivity"]["counts_per_torque_unit"] * 1.3558179483, rel=1e-9
        )


SHORTENED = """
[[step]]
masses = ["hanger", "plate A"]
[[step]]
masses = ["hanger", "plate A", "plate B"]
[[step]]
masses = ["hanger", "plate A", "plate B", "plate C"]

[course]
mountings = 2
preloads = 1
"""
COMMAND = "from anviltrace.cli.main import main; main()"


class TestFullCourse:
    """Three series in two mountings and one with a second arm, killed on the way, and gone on with."""

    words = ("calibration", "record", "--port", "virtual://deadweight-hx711?seed=3")

    def start(self, folder: Path, *more: str) -> subprocess.Popen[bytes]:
        words = [sys.executable, "-c", COMMAND, *self.words, *more]
        with (folder / "said.txt").open("w") as said:
            return subprocess.Popen(words, cwd=folder, stdout=said, stderr=said)

    def kill_after(self, folder: Path, process: subprocess.Popen[bytes], readings: int) -> None:
        """SIGKILL once so many readings are in the archive."""
        path, deadline = folder / "bench.anviltrace", time.monotonic() + 60
        while time.monotonic() < deadline:
            assert process.poll() is None, (folder / "said.txt").read_text()
            if path.exists():
                with Archive.open(path, read_only=True) as archive:
                    if len(archive.all(LoadStep)) >= readings:
                        break
            time.sleep(0.02)
        process.kill()
        process.wait(30)

    def test_killed_in_the_second_mounting_it_goes_on_there(
        self, files: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        monkeypatch.chdir(tmp_path)
        shutil.copy(files / "bench.toml", tmp_path)
        weights = (files / "weights.toml").read_text(encoding="utf-8")
        (tmp_path / "weights.toml").write_text(weights + SHORTENED, encoding="utf-8")
        arms = ["--arm", "long arm", "--second-arm", "short arm"]
        started = self.start(tmp_path, *arms, "--direction", "cw", "--course", "full")
        self.kill_after(tmp_path, started, readings=12)
        with Archive.open(tmp_path / "bench.anviltrace") as archive:
            before = archive.all(LoadStep)
            first, second = candidates(archive)
            settings = archive.get(Settings, first.calibration.settings_id)
            assert "series 3 of 3 (mounting 2 of 2)" in first.why_unfinished
            assert "series 1 of 1" in second.why_unfinished
            assert isinstance(line_for(archive, 1, first.rig_id, settings), str)
            assert archive.verify() == []
        resumed = CliRunner().invoke(cli, [*self.words, "--json", "--resume"], catch_exceptions=False)
        assert resumed.exit_code == 0, resumed.output
        with Archive.open(tmp_path / "bench.anviltrace", read_only=True) as archive:
            first, second = candidates(archive)
            after = archive.all(LoadStep, calibration_id=first.calibration.id)
            assert after[: len(before)] == before
            assert first.steps[:10] == tuple(before[:10]), "the series that were whole are kept"
            assert [step.series for step in first.steps] == 5 * [1] + 5 * [2] + 7 * [3]
            assert [step.mounting for step in first.steps] == 10 * [1] + 7 * [2]
            assert (second.side_of, second.why_unfinished) == (first.calibration.id, "")
            assert archive.verify() == []
            fit = line_for(archive, 1, first.rig_id, settings)
        assert isinstance(fit, LineFit)
        assert fit.line.calibration_id == first.calibration.id
        true = SENSITIVITY_MV_PER_V_PER_NM * HX711_COUNTS_PER_MV_PER_V
        stated = fit.line.expanded_nm(fit.line.highest_nm) / fit.line.highest_nm
        assert abs(fit.line.counts_per_nm / true - 1.0) < stated
        facts = json.loads(resumed.stdout)
        assert facts["id"] == first.calibration.id
        assert not any("One mounting" in sentence for sentence in facts["cannot_tell"])
        self.check_arms(facts)

    def check_arms(self, facts: dict[str, Any]) -> None:
        """True lengths of 0.8007 m and 0.4996 m, 4e-7 mV/V for each N to the side."""
        shown = CliRunner().invoke(
            cli, ["calibration", "show", facts["id"], "--json"], catch_exceptions=False
        )
        second = json.loads(shown.stdout)["numbers"]["second_arm"]
        assert second["arms"] == ["long arm", "short arm"]
        assert second["factor_to_a_load_that_only_turns"] == pytest.approx(0.499 / 0.301)
        lengths = (0.4996 / 0.499) / (0.8007 / 0.8) - 1.0
        side = 4e-7 / SENSITIVITY_MV_PER_V_PER_NM * (1.0 / 0.4996 - 1.0 / 0.8007)
        overall = second["overall"]
        assert abs(overall["difference_percent"] - 100.0 * (lengths + side)) < overall["expanded_percent"]
        assert not overall["told_apart"]
        shown = CliRunner().invoke(cli, ["calibration", "show", facts["id"], "--all"], catch_exceptions=False)
        assert "Second arm, short arm (0.4990 m), beside long arm" in shown.stdout
