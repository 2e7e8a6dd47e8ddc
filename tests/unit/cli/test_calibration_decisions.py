"""``anviltrace calibration discard``, ``authorise`` and ``verify``."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from sample_document import make_archive

from anviltrace.archive import Archive
from anviltrace.capture.lines import candidate
from anviltrace.cli import calibration_decisions
from anviltrace.publish import remarks
from anviltrace.records import Authorisation, Calibration, Decision, LoadStep, Remark

ID = "0000"


@pytest.fixture
def calibrated(tmp_path: Path) -> Path:
    path = tmp_path / "bench.anviltrace"
    make_archive(path)
    return path


def slope(path: Path) -> float:
    with Archive.open(path, read_only=True) as archive:
        (made,) = archive.all(Calibration)
        return candidate(archive, made).fit().line.counts_per_nm


def document_text(run_command, path: Path) -> str:
    folder = path.parent / "document"
    assert run_command(path, "calibration", "document", ID, str(folder)).code == 0
    return (folder / "calibration-00000000.html").read_text(encoding="utf-8")


class TestDiscard:
    def test_the_line_is_told_before_and_after_and_comes_back(self, run_command, calibrated: Path) -> None:
        before = slope(calibrated)
        words = ("calibration", "discard", ID, "4", "--reason", "sleeve", "--by", "T. Ester")
        told = json.loads(run_command(calibrated, *words, "--json").out)
        after = slope(calibrated)
        assert (told["counts_per_nm_before"], told["counts_per_nm_after"]) == (before, after)
        assert after != before
        assert told["slope_change_percent"] == pytest.approx(100.0 * (after / before - 1.0))
        text = document_text(run_command, calibrated)
        assert "sleeve, T. Ester" in text
        assert "1 reading left out, see Readings left out" in text
        back = run_command(calibrated, *words[:4], "--reason", "it was not", "--take-back")
        assert "is taken back" in back.out
        assert f"{100.0 * (before / after - 1.0):+.4f} %" in back.out
        assert slope(calibrated) == before
        with Archive.open(calibrated, read_only=True) as archive:
            assert [one.verdict for one in archive.all(Decision)] == ["discard", "keep"]

    @pytest.mark.parametrize(("words", "said"), [
        (("99", "--reason", "x"), "has no reading 99: it has 1, 2, 3"),
        (("4", "--reason", "x", "--take-back"), "is not left out: nothing to take back"),
        (("1", "--reason", "x"), "not done: without reading 1 there is no line: series 1 is not whole"),
        (("11", "--reason", "x"), "not done: without reading 11 there is no line"),
    ])  # fmt: skip
    def test_what_cannot_be_is_refused_and_nothing_is_kept(
        self, run_command, calibrated: Path, words: tuple[str, ...], said: str
    ) -> None:
        outcome = run_command(calibrated, "calibration", "discard", ID, *words)
        assert outcome.code == 10
        assert said in outcome.err
        with Archive.open(calibrated, read_only=True) as archive:
            assert archive.all(Decision) == []

    def test_twice_is_refused(self, run_command, calibrated: Path) -> None:
        words = ("calibration", "discard", ID, "4", "--reason", "sleeve")
        assert run_command(calibrated, *words).code == 0
        outcome = run_command(calibrated, *words)
        assert (outcome.code, "left out already" in outcome.err) == (10, True)

    def test_a_reason_is_needed(self, run_command, calibrated: Path) -> None:
        assert run_command(calibrated, "calibration", "discard", ID, "4").code == 2
        assert run_command(calibrated, "calibration", "discard", ID, "4", "--reason", "  ").code == 2


class TestAuthorise:
    def test_a_reading_discarded_later_shows(self, run_command, calibrated: Path) -> None:
        words = ("calibration", "authorise", ID, "--by", "T. Ester", "--note", "read through")
        discard = ("calibration", "discard", ID, "4", "--reason", "sleeve")

        def unchanged() -> list[bool]:
            shown = json.loads(run_command(calibrated, "calibration", "show", ID, "--json").out)
            assert {one["by"] for one in shown["authorised"]} == {"T. Ester"}
            return [one["unchanged"] for one in shown["authorised"]]

        made = json.loads(run_command(calibrated, *words, "--json").out)
        text = document_text(run_command, calibrated)
        assert "UTC (read through): the data are what was authorised" in text
        data = json.loads((calibrated.parent / "document" / "calibration-00000000.json").read_text())
        assert made["data_hash"] == data["sha256"]
        assert data["authorisations"][0]["data_are_what_was_authorised"]
        run_command(calibrated, *discard)
        assert unchanged() == [False]
        run_command(calibrated, *discard, "--take-back")
        assert unchanged() == [True]
        run_command(calibrated, *discard)
        run_command(calibrated, *words)
        assert unchanged() == [True, False]
        text = document_text(run_command, calibrated)
        assert text.count("CHANGED SINCE") == 2  # at the head, and among what a reader looks for

    def test_a_name_is_needed(self, run_command, calibrated: Path) -> None:
        assert run_command(calibrated, "calibration", "authorise", ID).code == 2
        assert run_command(calibrated, "calibration", "authorise", ID, "--by", " ").code == 2

    def test_what_its_recordings_do_not_bear_out_is_refused(self, run_command, tmp_path: Path) -> None:
        path = altered(tmp_path)
        outcome = run_command(path, "calibration", "authorise", ID, "--by", "T. Ester")
        assert outcome.code == 10
        assert "not authorised: its recordings do not bear it out: reading 3" in outcome.err
        with Archive.open(path, read_only=True) as archive:
            assert archive.all(Authorisation) == []


def altered(folder: Path) -> Path:
    """An archive in which somebody changed the mean of reading 3 by a count."""
    import sqlite3

    path = folder / "altered.anviltrace"
    make_archive(path)
    with Archive.open(path, read_only=True) as archive:
        (step,) = [one for one in archive.all(LoadStep) if one.number == 3]
    connection = sqlite3.connect(path)
    with connection:
        connection.execute("DROP TRIGGER load_step_is_never_changed")
        connection.execute("UPDATE load_step SET mean_counts = mean_counts + 1.0 WHERE id = ?", [step.id])
    connection.close()
    return path


class TestRemark:
    def test_it_stands_in_the_document_and_is_never_changed(self, run_command, calibrated: Path) -> None:
        words = ("calibration", "remark", ID, "engine shed", "--about", "place", "--by", "T. Ester")
        made = json.loads(run_command(calibrated, *words, "--json").out)
        assert (made["about"], made["text"], made["by"]) == ("place", "engine shed", "T. Ester")
        with Archive.open(calibrated, read_only=True) as archive:
            (kept,) = archive.all(Remark)
        assert kept.id == made["id"]
        assert "engine shed (T. Ester)" in document_text(run_command, calibrated)

    def test_what_cannot_be_is_refused(self, run_command, calibrated: Path) -> None:
        assert run_command(calibrated, "calibration", "remark", ID, "x", "--about", "weather").code == 2
        assert run_command(calibrated, "calibration", "remark", ID, " ", "--about", "place").code == 2
        assert run_command(calibrated, "calibration", "remark", "ff", "x", "--about", "place").code == 6

    def test_the_command_knows_what_the_document_asks_for(self) -> None:
        assert tuple(remarks.ABOUT) == calibration_decisions.ABOUT


class TestShow:
    def test_the_essentials_come_first_and_the_rest_on_demand(self, run_command, calibrated: Path) -> None:
        short = run_command(calibrated, "calibration", "show", ID).out
        for words in ("counts per N·m", "(95 %)", "is withheld", "Most of the uncertainty", "Verdict (",
                      "Uncertainty within 1 %", "What it cannot tell:", "More: --steps, --all"):  # fmt: skip
            assert words in short
        assert len(short.splitlines()) < 30
        assert "hanger, plate A" not in short
        steps = run_command(calibrated, "calibration", "show", ID, "--steps").out
        assert "hanger, plate A" in steps
        assert "budget by profile" not in steps
        whole = run_command(calibrated, "calibration", "show", ID, "--all").out
        for words in ("hanger, plate A", "Intercept", "comes from", "budget by profile", "At each load"):
            assert words in whole
        assert "budget by profile" in run_command(calibrated, "calibration", "show", ID, "--at", "100").out


class TestVerify:
    def test_readings_and_line_are_the_same_to_the_last_bit(self, run_command, calibrated: Path) -> None:
        (found,) = json.loads(run_command(calibrated, "calibration", "verify", "--json").out)
        assert found["identical"]
        assert found["counts_per_nm"] == found["counts_per_nm_again"] == slope(calibrated)
        assert len(found["readings"]) == 11
        assert all(one["mean_counts"] == one["mean_counts_again"] for one in found["readings"])
        said = run_command(calibrated, "calibration", "verify", ID)
        assert "11 readings and the line" in said.out
        assert "identical to the last bit" in said.out

    def test_a_reading_that_was_altered_is_found(self, run_command, tmp_path: Path) -> None:
        outcome = run_command(altered(tmp_path), "calibration", "verify")
        assert outcome.code == 7
        assert "NOT BORNE OUT: reading 3: its counts come to" in outcome.out
        assert "does not agree with its recordings" in outcome.err
