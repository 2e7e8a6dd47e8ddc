"""A check out of an archive: which recordings belong to it, and torque by the calibration that is there."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import recorded

from anviltrace.archive import Archive
from anviltrace.errors import ArchiveError, RecordError
from anviltrace.proof.limits import CheckLimits
from anviltrace.proof.lines import Verdict
from anviltrace.proof.session import PUSHED, STILL, check_runs, find_check, record_still, work_out_check
from anviltrace.proof.sizes import Nominal
from anviltrace.records import Run, RunKind

RATE_HZ = recorded.shop().settings.rate_hz


@pytest.fixture
def archive(tmp_path: Path) -> Archive:
    """The workshop's archive with a calibration and a check after it."""
    path = tmp_path / "bench.anviltrace"
    recorded.record(path, runs=1)
    with Archive.open(path) as made:
        put(made, 5001, STILL, 0.0)
        put(made, 5002, PUSHED, 30.0)
        yield made


def put(archive: Archive, number: int, reason: str, torque_nm: float, trouble: str = "") -> Run:
    """A recording of five seconds at a torque, with noise of 40 counts."""
    shop = recorded.shop()
    at = f"2026-05-04T10:00:{number % 60:02d}.000Z"
    run = replace(
        shop.run(number, kind=RunKind.CHECK, started_at=at, repeat=None),
        plan_id=None, tool_id=None, supply_id=None, fitting_id=None,
    )  # fmt: skip
    noise = np.random.default_rng(number).normal(0.0, 40.0, round(5.0 * RATE_HZ))
    counts = np.rint(recorded.ZERO_COUNTS + recorded.COUNTS_PER_NM * torque_nm + noise).astype(np.int32)
    with archive.begin(run) as recording:
        recording.append(0, counts)
        if trouble:
            recording.notice("side sensor", trouble, 0)
        recording.finish(samples_total=len(counts), end_reason=reason, rate_hz=RATE_HZ)
    return run


def test_torque_is_that_of_the_calibration_which_goes_before_a_named_sensitivity(archive: Archive) -> None:
    runs = check_runs(archive, find_check(archive))
    checked = work_out_check(archive, runs, CheckLimits(), Nominal(2.0, 500.0))
    lines = {line.name: line for line in checked.lines}
    assert checked.sizes.nm_from == "the calibration"
    assert lines["noise"].data["noise_sd_nm"] == pytest.approx(40.0 / recorded.COUNTS_PER_NM, rel=0.05)
    assert lines["polarity"].verdict is Verdict.PASS
    assert lines["polarity"].data["moved_nm"] == pytest.approx(30.0, rel=0.01)
    assert "N·m" in lines["noise"].reading


def test_what_was_left_out_is_not_done(archive: Archive) -> None:
    runs = check_runs(archive, find_check(archive))
    lines = {line.name: line for line in work_out_check(archive, runs, CheckLimits()).lines}
    assert (lines["shunt"].verdict, lines["ring"].verdict) == (Verdict.NOT_DONE, Verdict.NOT_DONE)
    assert lines["shunt"].advice == "left out of this check"


def test_any_part_of_a_check_names_it(archive: Archive) -> None:
    rested, pushed = (run for run in archive.all(Run, kind=RunKind.CHECK))
    assert find_check(archive, pushed.id) == find_check(archive, rested.id) == find_check(archive) == rested


def test_an_archive_without_a_check_says_so(tmp_path: Path) -> None:
    recorded.record(tmp_path / "other.anviltrace", runs=1)
    with (
        Archive.open(tmp_path / "other.anviltrace", read_only=True) as other,
        pytest.raises(ArchiveError, match="has no check of a board"),
    ):
        find_check(other)


def test_less_than_a_second_is_no_rest() -> None:
    with pytest.raises(RecordError, match="record 1 s at least"):
        record_still(None, 0.5)  # type: ignore[arg-type]


def test_a_side_sensor_that_does_not_answer_wants_a_look(archive: Archive) -> None:
    assert "sensors" not in {
        line.name
        for line in work_out_check(archive, check_runs(archive, find_check(archive)), CheckLimits()).lines
    }
    put(archive, 5003, STILL, 0.0, trouble="ina226 does not answer: no such device")
    runs = check_runs(archive, find_check(archive))
    line = work_out_check(archive, runs, CheckLimits()).lines[-1]
    assert (line.name, line.verdict) == ("sensors", Verdict.LOOK)
    assert line.advice == "ina226 does not answer: no such device"
