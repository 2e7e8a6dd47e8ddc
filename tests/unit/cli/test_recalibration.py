"""Runs with a calibration made after them: what changes, in ``metrics``, ``compare`` and ``report``."""

from __future__ import annotations

import json
import shutil
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
import recorded
from htmlreader import Reader
from workshop import fixed_id

from anviltrace.archive import Archive
from anviltrace.calibration.history import compare
from anviltrace.capture.lines import candidate
from anviltrace.cli import recalibration
from anviltrace.records import Calibration, LoadStep, Settings, new_id

Command = Callable[..., Any]
FIRST = fixed_id(600)
LATER = "2026-05-20T09:00:00.000Z"
GAIN = 1.004


def calibrate_again(path: Path, taken_at: str, gain: float = GAIN, **changes: Any) -> str:
    """The first calibration again, at another time, of a rig ``gain`` times as sensitive."""
    with Archive.open(path) as opened:
        made = replace(opened.get(Calibration, FIRST), id=new_id(), taken_at=taken_at, **changes)
        opened.put(made)
        for step in opened.all(LoadStep, calibration_id=FIRST):
            counts = recorded.ZERO_COUNTS + gain * (step.mean_counts - recorded.ZERO_COUNTS)
            opened.put(replace(step, id=new_id(), calibration_id=made.id, mean_counts=counts))
    return made.id


@pytest.fixture(scope="module")
def twice(bench: Path, tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, str]:
    """Two kept runs, a calibration before and another after them; and the id of the later."""
    path = Path(shutil.copy(bench, tmp_path_factory.mktemp("twice")))
    return path, calibrate_again(path, LATER)


def values(run: dict[str, Any]) -> dict[str, float]:
    return {one["name"]: one["value"] for one in run["values"] if one["at_s"] is None}


def test_every_leading_metric_is_shown_by_both(
    twice: tuple[Path, str], bench: Path, run_command: Command
) -> None:
    path, later = twice
    old = json.loads(run_command(bench, "metrics", "--json").out)
    new = json.loads(run_command(path, "metrics", "--json").out)
    assert all(run["recalibrated"] is None for run in old)
    for before, now in zip(old, new, strict=True):
        changed = now["recalibrated"]
        (replaced,) = changed["replaced"]
        assert (replaced["earlier"], replaced["later"]) == (FIRST, later)
        assert replaced["as_found_percent"] == pytest.approx(100.0 * (GAIN - 1.0), abs=1e-6)
        assert not replaced["agrees"]
        assert set(replaced["in_common"]) >= {"arm length", "gravity", "mass of disc 0"}
        names = [one["name"] for one in changed["metrics"]]
        assert names == ["retained_final", "mean_torque", "impulse_mean", "peak_mean"]
        for one in changed["metrics"]:
            assert one["old"] == values(before)[one["name"]]
            assert one["new"] == values(now)[one["name"]]
            assert one["change_percent"] == pytest.approx(100.0 * (1.0 / GAIN - 1.0), rel=1e-3)


def test_what_both_share_drops_out_of_the_difference(twice: tuple[Path, str], run_command: Command) -> None:
    """The lines are known to 0.1 % each; arm, weights and gravity are most of that, and are in both."""
    path, later = twice
    run = json.loads(run_command(path, "metrics", "--json").out)[0]
    (retained,) = [one for one in run["recalibrated"]["metrics"] if one["name"] == "retained_final"]
    with Archive.open(path, read_only=True) as archive:
        new, old = (candidate(archive, archive.get(Calibration, one)) for one in (later, FIRST))
    fits = new.fit(), old.fit()
    expected = compare(new, fits[0], old, fits[1], retained["old"])
    assert retained["expanded_percent"] == pytest.approx(100.0 * expected.expanded, rel=1e-9)
    apart = sum(
        (fit.line.expanded_nm(retained["old"]) / retained["old"]) ** 2 for fit in fits
    )  # as if nothing were shared
    assert expected.expanded < 0.8 * apart**0.5


def test_it_is_printed_by_metrics_and_compare(twice: tuple[Path, str], run_command: Command) -> None:
    path, later = twice
    for command in ("metrics", "compare"):
        said = run_command(path, command).out
        assert "What a later calibration changes" in said
        assert f"{later[:8]} of 2026-05-20 09:00:00 instead of {FIRST[:8]} of 2026-05-04 09:00:00" in said
        assert "THEY DO NOT AGREE" in said
    found = json.loads(run_command(path, "compare", "--json").out)
    assert len(found["recalibrated"]) == 2
    assert any(
        "is doubtful: it was made after the run" in doubt for doubt in found["conditions"][0]["doubts"]
    )
    assert "DOUBTFUL: calibration" in run_command(path, "compare").out


def test_a_long_table_is_cut_short_and_says_so(
    twice: tuple[Path, str], run_command: Command, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert "more: --json" not in run_command(twice[0], "metrics").out
    monkeypatch.setattr(recalibration, "_SHOWN", 3)
    assert "and 5 more: --json, or `anviltrace report`" in run_command(twice[0], "metrics").out


def test_the_report_has_a_section(
    twice: tuple[Path, str], bench: Path, run_command: Command, tmp_path: Path
) -> None:
    path, later = twice
    assert run_command(path, "report", str(tmp_path / "new")).code == 0
    page = (tmp_path / "new" / "report.html").read_text(encoding="utf-8")
    reader = Reader(page)
    assert reader.open == []
    assert "What a later calibration changes" in reader.text
    assert f"{later[:8]} of 2026-05-20" in reader.text
    assert "is doubtful: it was made after the run" in reader.text.partition("Load steps")[0]
    assert run_command(bench, "report", str(tmp_path / "old")).code == 0
    assert "What a later calibration changes" not in (tmp_path / "old" / "report.html").read_text(
        encoding="utf-8"
    )


class TestNamed:
    def test_it_is_used_instead_of_the_newest(
        self, twice: tuple[Path, str], bench: Path, run_command: Command
    ) -> None:
        path, later = twice
        old = json.loads(run_command(bench, "metrics", "--json").out)
        named = json.loads(run_command(path, "metrics", "--json", "--calibration", FIRST).out)
        assert [values(run) for run in named] == [values(run) for run in old]
        assert all(run["calibrations"] == [FIRST] and run["recalibrated"] is None for run in named)
        compared = json.loads(run_command(path, "compare", "--json", "--calibration", FIRST).out)
        assert compared["recalibrated"] == []
        also = json.loads(run_command(path, "metrics", "--json", "--calibration", later[:12]).out)
        assert all(run["recalibrated"] is not None for run in also)

    def test_one_that_does_not_fit_is_refused_with_the_reason(
        self, twice: tuple[Path, str], run_command: Command, tmp_path: Path
    ) -> None:
        path = Path(shutil.copy(twice[0], tmp_path))
        with Archive.open(path) as archive:
            settings = replace(archive.all(Settings)[0], id=new_id(), gain=1)
            archive.put(settings)
        other = calibrate_again(path, LATER, settings_id=settings.id)
        for command in (
            ("metrics",),
            ("metrics", fixed_id(401)),
            ("compare",),
            ("report", str(tmp_path / "r")),
        ):
            outcome = run_command(path, *command, "--calibration", other)
            assert outcome.code == 10
            assert f"calibration {other[:8]} does not fit" in outcome.err
            assert "made with gain 1, the run with gain 64" in outcome.err.replace("with 64", "with gain 64")

    def test_one_of_the_other_direction_is_refused(
        self, twice: tuple[Path, str], run_command: Command, tmp_path: Path
    ) -> None:
        path = Path(shutil.copy(twice[0], tmp_path))
        other = calibrate_again(path, LATER, sign=-1, gain=-1.0)
        outcome = run_command(path, "metrics", "--calibration", other)
        assert outcome.code == 10
        assert "no run has torque of its direction" in outcome.err

    def test_an_unknown_one_is_code_6(self, twice: tuple[Path, str], run_command: Command) -> None:
        assert run_command(twice[0], "metrics", "--calibration", "ffff").code == 6
