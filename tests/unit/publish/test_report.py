"""A report as a folder."""

from __future__ import annotations

from pathlib import Path

import pytest
from sample_report import material

from anviltrace.errors import AnalysisError
from anviltrace.publish.material import Material
from anviltrace.publish.report import write_report


@pytest.fixture(scope="module")
def sample() -> Material:
    return material(repeats=1, drive_s=0.2)


def test_everything_is_written_and_named(sample: Material, tmp_path: Path) -> None:
    written = write_report(sample, tmp_path / "deep" / "report")
    assert [path.name for path in written] == [
        "report.html",
        "overlay.png",
        "overlay.svg",
        "runs.csv",
        "metrics.csv",
    ]
    assert sorted(path.name for path in written[0].parent.iterdir()) == sorted(path.name for path in written)
    assert written[0].read_text(encoding="utf-8").startswith("<!doctype html>")


def test_a_report_replaces_its_own_files_and_no_others(sample: Material, tmp_path: Path) -> None:
    (tmp_path / "notes.txt").write_text("mine", encoding="utf-8")
    (tmp_path / "runs.csv").write_text("old", encoding="utf-8")
    write_report(sample, tmp_path)
    assert (tmp_path / "notes.txt").read_text(encoding="utf-8") == "mine"
    assert (tmp_path / "runs.csv").read_text(encoding="utf-8").startswith("run,")


def test_a_folder_that_cannot_be_is_one_line_with_the_remedy(sample: Material, tmp_path: Path) -> None:
    (tmp_path / "file").write_text("", encoding="utf-8")
    with pytest.raises(AnalysisError, match="choose another folder") as caught:
        write_report(sample, tmp_path / "file" / "report")
    assert "\n" not in str(caught.value)
