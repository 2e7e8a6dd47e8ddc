"""``anviltrace calibration document``: files, what is said about them, exit codes."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from sample_document import make_archive

from anviltrace.archive import Archive
from anviltrace.records import Decision, LoadStep
from anviltrace.units import NM_PER_LBF_FT

NAMES = ["calibration-00000000.html", "calibration-00000000.json"]


@pytest.fixture(scope="module")
def calibrated(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("calibrated") / "bench.anviltrace"
    make_archive(path)
    return path


def test_the_files_are_written_and_told(run_command, calibrated: Path, tmp_path: Path) -> None:
    folder = tmp_path / "hand" / "over"
    outcome = run_command(calibrated, "calibration", "document", "0000", str(folder))
    assert outcome.code == 0
    assert sorted(path.name for path in folder.iterdir()) == NAMES
    assert f"Open {folder / NAMES[0]} in a browser." in outcome.out
    assert outcome.err == ""


def test_json_lists_the_files(run_command, calibrated: Path, tmp_path: Path) -> None:
    outcome = run_command(calibrated, "calibration", "document", "0000", str(tmp_path), "--json")
    listed = json.loads(outcome.out)
    assert [Path(entry["file"]).name for entry in listed] == NAMES
    assert [entry["size_bytes"] for entry in listed] == [(tmp_path / name).stat().st_size for name in NAMES]


def test_units_change_the_page_and_not_the_data(run_command, calibrated: Path, tmp_path: Path) -> None:
    metric, english = tmp_path / "metric", tmp_path / "english"
    run_command(calibrated, "calibration", "document", "0000", str(metric))
    run_command(calibrated, "calibration", "document", "0000", str(english), "--units", "lbf-ft")
    assert (metric / NAMES[1]).read_bytes() == (english / NAMES[1]).read_bytes()
    highest_nm = json.loads((metric / NAMES[1]).read_text())["results"]["line"]["highest_nm"]
    assert f"to {highest_nm / NM_PER_LBF_FT:.1f} lbf·ft" in (english / NAMES[0]).read_text()


def test_an_unknown_id_is_code_6(run_command, calibrated: Path, tmp_path: Path) -> None:
    outcome = run_command(calibrated, "calibration", "document", "ffff", str(tmp_path))
    assert outcome.code == 6
    assert "has no calibration ffff: `anviltrace calibration list` shows them" in outcome.err


def test_an_unfinished_one_is_code_10_and_writes_nothing(run_command, tmp_path: Path) -> None:
    path = tmp_path / "bench.anviltrace"
    made = make_archive(path)
    with Archive.open(path) as archive:
        last = archive.all(LoadStep, calibration_id=made.id)[-1]
        archive.put(Decision("00000000-0000-4000-8000-00000000aaaa", last.run_id, "discard", "bumped"))
    outcome = run_command(path, "calibration", "document", "0000", str(tmp_path / "out"))
    assert outcome.code == 10
    assert outcome.out == ""
    assert not (tmp_path / "out").exists()


def test_a_folder_that_is_a_file_is_refused(run_command, calibrated: Path, tmp_path: Path) -> None:
    (tmp_path / "taken").write_text("")
    assert run_command(calibrated, "calibration", "document", "0000", str(tmp_path / "taken")).code == 2
    below = str(tmp_path / "taken" / "deeper")
    outcome = run_command(calibrated, "calibration", "document", "0000", below)
    assert outcome.code == 11
    assert "choose another folder" in outcome.err
