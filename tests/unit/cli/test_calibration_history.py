"""What ``calibration list``, ``show``, ``capture`` and ``metrics`` say about a calibration's past and age."""

from __future__ import annotations

import json
import shutil
from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import recorded
from workshop import fixed_id

from anviltrace.archive import Archive
from anviltrace.cli.capture import find_scale, say_overload
from anviltrace.records import Calibration, LoadStep, Run, RunKind, RunState, Session, Zero, new_id
from anviltrace.units import TorqueUnit

Command = Callable[..., Any]
FIRST = fixed_id(600)
LIST = ("calibration", "list", "--json")


@pytest.fixture
def archive(tmp_path: Path, bench: Path) -> Path:
    """Two kept runs and a calibration, all on the same morning; a copy to add to."""
    return Path(shutil.copy(bench, tmp_path))


def ago(days: float) -> str:
    at = datetime.now(UTC) - timedelta(days=days)
    return at.isoformat(timespec="milliseconds").replace("+00:00", "Z")


def calibrate_again(path: Path, taken_at: str, gain: float = 1.0, **changes: Any) -> str:
    """The first calibration again, at another time, of a rig ``gain`` times as sensitive."""
    with Archive.open(path) as opened:
        first = opened.get(Calibration, FIRST)
        made = replace(first, id=new_id(), taken_at=taken_at, **changes)
        opened.put(made)
        for step in opened.all(LoadStep, calibration_id=FIRST):
            counts = recorded.ZERO_COUNTS + gain * (step.mean_counts - recorded.ZERO_COUNTS)
            opened.put(replace(step, id=new_id(), calibration_id=made.id, mean_counts=counts))
    return made.id


def record(path: Path, kind: RunKind, counts: np.ndarray, started_at: str) -> Run:
    made = recorded.shop()
    with Archive.open(path) as opened:
        run = replace(made.run(900), id=new_id(), kind=kind, started_at=started_at)
        recording = opened.begin(run)
        recording.append(0, counts.astype(np.int32))
        recording.finish(samples_total=len(counts), rate_hz=recorded.RATE_HZ)
        if kind is RunKind.ZERO:
            mean = float(counts.mean())
            opened.put(Zero(new_id(), made.session.id, run.id, started_at, mean, 1.0, len(counts)))
    return run


def listed(run_command: Command, archive: Path) -> list[dict[str, Any]]:
    done = run_command(archive, *LIST)
    assert done.code == 0, done.err
    return json.loads(done.out)


def test_the_first_has_nothing_before_it(archive: Path, run_command: Command) -> None:
    (only,) = listed(run_command, archive)
    assert (only["since_previous"], only["in_use"]) == (None, True)
    shown = json.loads(run_command(archive, "calibration", "show", FIRST, "--json").out)
    assert shown["since_previous"] is None


def test_as_found_beside_the_one_before(archive: Path, run_command: Command) -> None:
    second = calibrate_again(archive, ago(3), gain=1.004)
    before, now = listed(run_command, archive)
    assert (before["in_use"], now["in_use"]) == (False, True)
    change = now["since_previous"]
    assert (change["earlier"], change["agrees"]) == (FIRST, False)
    assert change["as_found_percent"] == pytest.approx(0.4, abs=1e-6)
    assert change["en"] == pytest.approx(0.4 / change["expanded_percent"], rel=1e-6)
    assert set(change["in_common"]) >= {"arm length", "gravity"}
    words = "would have read +0.40 %"
    for arguments in (("calibration", "list"), ("calibration", "show", second)):
        said = run_command(archive, *arguments).out
        assert words in said
        assert "DOES NOT AGREE" in said


def test_an_old_one_is_named_by_list_show_and_capture(
    archive: Path, run_command: Command, capsys: pytest.CaptureFixture[str]
) -> None:
    old = calibrate_again(archive, "2026-05-05T09:00:00.000Z", valid_days=1.0)
    said = run_command(archive, "calibration", "list").out
    assert f"{old[:8]}: DOUBTFUL: it is " in said
    assert "beyond 1 days (as agreed)" in said
    assert "DOUBTFUL: it is " in run_command(archive, "calibration", "show", old).out
    made = recorded.shop()
    with Archive.open(archive, read_only=True) as opened:
        find_scale(opened, made.rig.id, made.settings, TorqueUnit.NM)
    assert f"DOUBTFUL: calibration {old[:8]}: it is " in capsys.readouterr().err


def test_an_overload_since(archive: Path, run_command: Command) -> None:
    calibrate_again(archive, ago(3))
    assert listed(run_command, archive)[-1]["doubts"] == []
    peak = recorded.ZERO_COUNTS + recorded.COUNTS_PER_NM * 900.0
    record(archive, RunKind.MEASUREMENT, np.full(50, -peak), ago(1))
    (doubt,) = listed(run_command, archive)[-1]["doubts"]
    assert "was recorded since, beyond 785 N·m" in doubt


def test_capture_names_an_overload_among_its_runs(archive: Path, capsys: pytest.CaptureFixture[str]) -> None:
    made = recorded.shop()
    mild, wild = (
        record(archive, RunKind.MEASUREMENT, np.full(50, recorded.ZERO_COUNTS + net_counts), ago(1))
        for net_counts in (700.0 * recorded.COUNTS_PER_NM, 900.0 * recorded.COUNTS_PER_NM)
    )
    with Archive.open(archive, read_only=True) as opened:
        say_overload(opened, made.rig.id, made.settings, [mild])
        assert capsys.readouterr().err == ""
        say_overload(opened, made.rig.id, made.settings, [mild, wild])
        assert f"DOUBTFUL: calibration {FIRST[:8]}: about 900 N·m was recorded" in capsys.readouterr().err


def test_an_overload_before_does_not_count(archive: Path, run_command: Command) -> None:
    record(archive, RunKind.MEASUREMENT, np.full(50, recorded.COUNTS_PER_NM * 900.0), ago(4))
    calibrate_again(archive, ago(3))
    assert listed(run_command, archive)[-1]["doubts"] == []


def test_a_zero_that_jumped_since(archive: Path, run_command: Command) -> None:
    calibrate_again(archive, ago(3))
    for days, offset_nm in ((2.0, 0.0), (1.5, 7.0), (1.0, 16.0)):
        level = recorded.ZERO_COUNTS + recorded.COUNTS_PER_NM * offset_nm
        record(archive, RunKind.ZERO, np.full(50, level), ago(days))
    (doubt,) = listed(run_command, archive)[-1]["doubts"]
    assert "the zero jumped by 9.0 N·m since (limit 7.8 N·m)" in doubt


def flags(run_command: Command, archive: Path) -> list[str]:
    results = json.loads(run_command(archive, "metrics", "--json").out)
    assert len(results) == 2
    return [flag for result in results for flag in result["flags"] if "doubtful" in flag]


def test_metrics_flag_a_calibration_that_was_too_old_for_the_run(archive: Path, run_command: Command) -> None:
    assert flags(run_command, archive) == []
    calibrate_again(archive, "2026-05-04T09:00:01.000Z", valid_days=1e-6)
    found = flags(run_command, archive)
    assert len(found) == 2
    assert all("is doubtful: it is 0 days old" in flag for flag in found)


def test_another_cable_is_named_by_list_and_metrics(archive: Path, run_command: Command) -> None:
    made = recorded.shop()
    old = Session(new_id(), made.rig.id, made.board.id, "2026-05-04T07:00:00.000Z", cable="2 m")
    new = replace(old, id=new_id(), started_at="2026-05-04T09:00:02.000Z", cable="5 m")
    with Archive.open(archive) as opened:
        opened.put(old)
        opened.put(new)
    used = calibrate_again(archive, "2026-05-04T09:00:01.000Z", session_id=old.id)
    assert flags(run_command, archive) == []  # the session of these runs states no cable
    assert "made with the cable '2 m', this is '5 m'" in run_command(archive, "calibration", "list").out
    with Archive.open(archive) as opened:
        kept = opened.all(Run, kind=RunKind.MEASUREMENT)[1]
        run = replace(kept, id=new_id(), session_id=new.id, state=RunState.RECORDING, seal=None, samples=0)
        recording = opened.begin(run)
        recording.append(0, opened.counts(kept.id))
        recording.finish(samples_total=kept.samples, rate_hz=kept.rate_hz, onset_index=kept.onset_index)
    (result,) = json.loads(run_command(archive, "metrics", run.id, "--json").out)
    (flag,) = [flag for flag in result["flags"] if "cable" in flag]
    assert flag.startswith(f"calibration {used[:8]} is doubtful: it was made with the cable '2 m'")


def test_metrics_flag_an_overload_between_calibration_and_run(archive: Path, run_command: Command) -> None:
    """Of the two runs only the second, at 09:02, comes after it."""
    counts = np.full(50, recorded.ZERO_COUNTS - recorded.COUNTS_PER_NM * 900.0)
    record(archive, RunKind.MEASUREMENT, counts, "2026-05-04T09:01:45.000Z")
    results = json.loads(run_command(archive, "metrics", "--json").out)
    flagged = {
        result["run"]: [flag for flag in result["flags"] if "recorded since" in flag] for result in results
    }
    first, second = fixed_id(401), fixed_id(402)
    assert flagged[first] == []
    (flag,) = flagged[second]
    assert flag.startswith(
        f"calibration {FIRST[:8]} is doubtful: about 900 N·m was recorded since, beyond 785"
    )
    (alone,) = json.loads(run_command(archive, "metrics", second, "--json").out)
    assert flag in alone["flags"]


def test_metrics_flag_a_later_calibration_where_another_is_nearer(
    archive: Path, run_command: Command
) -> None:
    later = calibrate_again(archive, "2026-05-20T09:00:00.000Z")
    found = flags(run_command, archive)
    assert len(found) == 2
    assert all(f"calibration {later[:8]} is doubtful: it was made after the run" in flag for flag in found)
    assert all(f"{FIRST[:8]} of 2026-05-04 is nearer" in flag for flag in found)
