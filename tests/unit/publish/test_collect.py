"""From an archive to the material of a report."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import recorded

from anviltrace.archive import Archive
from anviltrace.errors import AnalysisError
from anviltrace.publish.collect import collect
from anviltrace.publish.material import Material


def material(path: Path, **options: bool) -> Material:
    recorded.record(path, **options)
    with Archive.open(path, read_only=True) as archive:
        return collect(archive, "")


def test_kept_runs_are_evaluated_and_drawn_in_torque_along_the_rotation(tmp_path: Path) -> None:
    found = material(tmp_path / "bench")
    (group,) = found.groups
    assert (len(group.kept), group.left_out) == (2, "1 discarded, 1 interrupted")
    assert found.title == "Torque runs, fishplate stand"
    for _, _, result, curve in found.drawn():
        assert curve.unit == "N·m"
        assert result.time_zero == "first blow"
        at_rest = curve.values[curve.times_s() < -0.01]
        assert np.nanmean(at_rest) == pytest.approx(0.0, abs=0.05)
        retained = result.value("retained_final")
        assert retained is not None
        assert retained.value == pytest.approx(np.nanmean(curve.values[-3000:]), rel=0.01)


def test_time_zero_of_the_curve_is_the_first_blow(tmp_path: Path) -> None:
    for *_, curve in material(tmp_path / "bench").drawn():
        rise = np.flatnonzero(curve.values > 20.0)[0]
        assert curve.times_s()[rise] == pytest.approx(0.0, abs=0.001)


def test_lost_samples_are_missing_in_the_curve(tmp_path: Path) -> None:
    first, second = (curve for *_, curve in material(tmp_path / "bench").drawn())
    assert np.flatnonzero(np.isnan(first.values)).tolist() == list(range(3000, 3040))
    assert not np.isnan(second.values).any()


def test_the_calibration_and_the_claim_come_along(tmp_path: Path) -> None:
    found = material(tmp_path / "bench")
    (used,) = found.calibrations
    assert used.fit.line.counts_per_nm == pytest.approx(recorded.COUNTS_PER_NM, rel=1e-3)
    assert [mass.name for mass in used.masses] == ["disc 0", "disc 1", "disc 2", "disc 3"]
    assert [check.claim.value for check in found.checks if check.measured.name == "maximum_torque"] == [420.0]


def test_without_a_calibration_curves_are_readings(tmp_path: Path) -> None:
    found = material(tmp_path / "bench", calibrated=False)
    assert found.calibrations == ()
    for _, _, result, curve in found.drawn():
        assert curve.unit == "mV/V"
        assert "no calibration for clockwise torque" in result.uncalibrated
        per_count = result.context.settings.mv_per_v_per_count
        assert per_count is not None
        expected = recorded.LEVEL_NM * recorded.COUNTS_PER_NM * per_count
        assert np.nanmean(curve.values[-3000:]) == pytest.approx(expected, rel=0.1)


def test_an_archive_without_a_kept_run_has_no_report(tmp_path: Path) -> None:
    recorded.record(tmp_path / "bench", runs=0)
    with (
        Archive.open(tmp_path / "bench", read_only=True) as archive,
        pytest.raises(AnalysisError, match="capture"),
    ):
        collect(archive, "")


def test_progress_is_told(tmp_path: Path) -> None:
    recorded.record(tmp_path / "bench")
    told: list[tuple[int, int]] = []
    with Archive.open(tmp_path / "bench", read_only=True) as archive:
        collect(archive, "", progress=lambda done, total: told.append((done, total)))
    assert told == [(1, 2), (2, 2)]
