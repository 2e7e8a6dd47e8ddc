"""``anviltrace capture`` with a person at a stand-in board: questions, answers, results, error lines."""

from __future__ import annotations

import json
import os
import sys
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner
from standin import Script, StandIn

from anviltrace.archive import Archive
from anviltrace.cli import main as main_module
from anviltrace.cli.main import cli
from anviltrace.records import Run, RunKind

pytestmark = pytest.mark.skipif(os.name != "posix", reason="the stand-in needs a pty")

PLAN = """
name = "fishplate bolt, tightening"
rotation = "cw"
thread = "right"
duty = "tightening"
start = "slack"
drive_s = 1
zero_s = 0.5
"""

BENCH = """
[rig]
name = "fishplate stand"
kind = "held"

[[tool]]
name = "Ostrelby"

[[supply]]
name = "pack A"
kind = "pack"
"""

ENTER = "\n"


def struck_from_two_seconds(index: np.ndarray) -> np.ndarray:
    return np.where((index >= 2000) & (index % 25 < 5), 1_000_000, index % 7).astype(np.int32)


@pytest.fixture
def board() -> Iterator[StandIn]:
    with StandIn(Script(signal=struck_from_two_seconds)) as running:
        yield running


@pytest.fixture
def files(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder with plan and bench file, to work in."""
    monkeypatch.chdir(tmp_path)
    (tmp_path / "plan.toml").write_text(PLAN, encoding="utf-8")
    (tmp_path / "bench.toml").write_text(BENCH, encoding="utf-8")
    return tmp_path


def arguments(port: str, *more: str) -> list[str]:
    return ["capture", "plan.toml", "--tool", "Ostrelby", "--supply", "pack A", "--port", port, *more]


def stored_run(folder: Path) -> tuple[Run, list[str]]:
    """The one measurement in the archive, and what was decided about it."""
    with Archive.open(folder / "bench.anviltrace", read_only=True) as archive:
        assert archive.verify() == []
        (run,) = [run for run in archive.all(Run) if run.kind is RunKind.MEASUREMENT]
        return run, [f"{decision.verdict}: {decision.reason}" for decision in archive.decisions(run.id)]


def on_the_virtual_uart(*more: str) -> list[str]:
    port = "virtual://fishplate-fast?seed=3&uart=921600&interpreter=cpython"
    bench = ["--tool", "Ostrelby", "--supply", "fresh pack", "--yes", "--port", port]
    return ["capture", "plan.toml", *bench, *more]


@pytest.fixture
def fast_files(files: Path) -> Path:
    (files / "plan.toml").write_text(PLAN + "rate_hz = 30000\nrepeats = 1\n", encoding="utf-8")
    (files / "bench.toml").write_text(BENCH.replace("pack A", "fresh pack"), encoding="utf-8")
    return files


def test_a_rate_the_link_cannot_carry_is_refused_before_anything_starts(fast_files: Path) -> None:
    result = CliRunner().invoke(cli, on_the_virtual_uart())
    assert result.exit_code != 0
    assert "needs 95273 bytes/s and the board's link carries 92160" in str(result.exception)
    assert "--burst" in str(result.exception)
    with Archive.open(fast_files / "bench.anviltrace", read_only=True) as archive:
        assert archive.all(Run) == []


def test_a_burst_is_a_run_like_any_other_and_says_that_it_is_one(fast_files: Path) -> None:
    result = CliRunner().invoke(cli, on_the_virtual_uart("--burst", "--burst-ms", "400", "--json"))
    assert result.exit_code == 0, result.output
    assert "Bursts of 12032 samples: 401 ms at 30000 Hz, at least 102 ms" in result.stderr
    assert "pull the trigger" in result.stderr
    (told,) = json.loads(result.stdout)["runs"]
    assert (told["complete"], told["burst"], told["gaps"]) == (True, True, 0)
    run, _ = stored_run(fast_files)
    assert run.samples == run.samples_total == 12032
    assert run.rate_hz == pytest.approx(30_000, rel=2e-4)
    with Archive.open(fast_files / "bench.anviltrace", read_only=True) as archive:
        counts = archive.counts(run.id).astype(float)
        (notice,) = archive.notices(run.id)
    assert notice.kind == "burst"
    assert run.onset_index is not None
    assert 12 * 256 - 300 <= run.onset_index <= 13 * 256  # a quarter of 47 blocks lies before the trigger
    quiet = counts[: run.onset_index - 300]
    assert quiet.std() < 5_000
    assert np.abs(counts[run.onset_index :] - quiet.mean()).max() > 300_000  # blows
    assert notice.at_index == run.onset_index


@pytest.mark.usefixtures("fast_files")
def test_what_describes_a_burst_needs_one() -> None:
    result = CliRunner().invoke(cli, on_the_virtual_uart("--burst-ms", "100"))
    assert result.exit_code == 2
    assert "give --burst as well" in result.stderr
    result = CliRunner().invoke(cli, on_the_virtual_uart("--burst", "--burst-ms", "600"))
    assert "memory holds 16384 samples, 546 ms; ask for no more" in str(result.exception)


def test_a_person_is_led_through_and_keeps_the_run(board: StandIn, files: Path) -> None:
    result = CliRunner().invoke(
        cli, arguments(board.url, "--supply-state", "fresh"), input=ENTER * 2 + "y\n" + ENTER * 2
    )
    assert result.exit_code == 0, result.output
    for words in ("eye and ear protection", "Make the joint slack", "Seat Ostrelby", "pull the trigger"):
        assert words in result.stderr
    assert "No torque: no calibration for clockwise torque on this rig" in result.stderr
    run, decisions = stored_run(files)
    assert run.supply_state == "fresh"
    assert decisions == ["keep: "]
    assert run.id[:8] in result.stdout
    assert result.stdout.splitlines()[0].endswith("every sample is there")


def test_discarding_asks_for_the_reason(board: StandIn, files: Path) -> None:
    answers = ENTER * 2 + "n\nsocket slipped\n" + ENTER * 2
    result = CliRunner().invoke(cli, arguments(board.url), input=answers)
    assert result.exit_code == 0, result.output
    run, decisions = stored_run(files)
    assert decisions == ["discard: socket slipped"]
    assert result.stdout.splitlines()[0].endswith("  DISCARDED")
    assert run.samples > 3000


def test_json_is_all_there_is_on_stdout(board: StandIn, files: Path) -> None:
    result = CliRunner().invoke(cli, arguments(board.url, "--yes", "--json"), input=ENTER * 4)
    data = json.loads(result.stdout)
    (run,) = data["runs"]
    stored, _ = stored_run(files)
    assert run["id"] == stored.id
    assert run["samples"] == run["samples_total"] == stored.samples
    assert run["onset_s"] == pytest.approx(2.0, abs=0.01)
    assert run["gaps"] == run["saturated"] == 0


@pytest.mark.parametrize(
    ("spoil", "code", "words"),
    [
        (lambda folder: (folder / "plan.toml").write_text("drive_s = 0"), 8, "plan.toml: drive_s = 0"),
        (lambda folder: (folder / "plan.toml").unlink(), 8, "check the name"),
        (lambda folder: (folder / "plan.toml").write_bytes(b"\xff"), 8, "not UTF-8"),
        (lambda folder: (folder / "bench.toml").write_text(BENCH.replace("Ostrelby", "Hare")), 8, "'Hare'"),
        (lambda folder: (folder / "bench.anviltrace").write_bytes(b"not an archive at all" * 99), 6, ""),
    ],
    ids=["impossible plan", "no plan", "not UTF-8", "unknown tool", "not an archive"],
)
def test_one_error_line_and_its_exit_code(
    spoil, code: int, words: str, board: StandIn, files: Path, monkeypatch, capsys
) -> None:
    spoil(files)
    before = {file.name: file.read_bytes() for file in files.iterdir()}
    monkeypatch.setattr(sys, "argv", ["anviltrace", *arguments(board.url, "--yes")])
    with pytest.raises(SystemExit) as caught:
        main_module.main()
    printed = capsys.readouterr()
    assert caught.value.code == code
    assert printed.out == ""
    assert printed.err.startswith("error: ")
    assert printed.err.count("\n") == 1
    assert words in printed.err
    assert {name: (files / name).read_bytes() for name in before} == before


def test_a_port_that_is_not_there(files: Path, monkeypatch, capsys) -> None:  # noqa: ARG001
    monkeypatch.setattr(sys, "argv", ["anviltrace", *arguments("/dev/no-such-port", "--yes")])
    with pytest.raises(SystemExit) as caught:
        main_module.main()
    assert caught.value.code == 3
    assert "does not exist" in capsys.readouterr().err
