"""``anviltrace archive``, from the command line to what is printed."""

from __future__ import annotations

import json
import shutil
import sqlite3
from contextlib import closing
from pathlib import Path

import golden_archive
import pytest
from golden_archive import CUT_RUN, FULL_RUN, ZERO_RUN

from anviltrace.archive import Archive, migrations
from anviltrace.cli import archive as commands
from anviltrace.cli import console


@pytest.fixture
def golden(root: Path, tmp_path: Path) -> Path:
    """A copy of the golden archive, up to date: a zero, a discarded run with gaps, one that was cut off."""
    path = Path(shutil.copy(root / "fixtures" / "archives" / "schema-1.anviltrace", tmp_path))
    Archive.open(path).close()
    return path


def test_an_archive_of_an_older_version_is_upgraded_when_asked(call, root: Path, tmp_path: Path):
    old = Path(
        shutil.copy(root / "fixtures" / "archives" / "schema-1.anviltrace", tmp_path / "old.anviltrace")
    )
    refused = call("list", archive=old)
    assert refused.code == 6
    assert refused.err.endswith("by: anviltrace archive upgrade\n")
    assert (
        call("upgrade", archive=old).out == f"{old} is up to date (schema {migrations.current_version()}).\n"
    )
    assert json.loads(call("upgrade", "--json", archive=old).out) == {
        "archive": str(old),
        "schema": migrations.current_version(),
        "runs": 3,
    }
    assert len(call("list", archive=old).out.splitlines()) == 5


@pytest.fixture
def call(golden: Path, run_command):
    """Run ``anviltrace archive ...`` on the golden archive."""
    return lambda *words, archive=golden: run_command(archive, "archive", *words)


def flip_a_bit(path: Path) -> None:
    """In the first chunk of the run with gaps."""
    with closing(sqlite3.connect(path, isolation_level=None)) as connection:
        rowid = connection.execute("SELECT min(rowid) FROM chunk WHERE run_id = ?", (FULL_RUN,)).fetchone()[0]
        with connection.blobopen("chunk", "data", rowid) as blob:
            blob[9] = blob[9] ^ 4


def test_list_has_a_line_per_run_with_units_in_the_headings(call):
    outcome = call("list")
    heading, units, zero, full, cut = outcome.out.splitlines()
    assert outcome.code == 0
    assert outcome.err == ""
    assert heading.split() == ["lost", "length", "rate"]
    assert units.split()[-4:] == ["samples", "repeat", "s", "samples/s"]
    assert "2026-05-04 08:14:00  zero" in zero
    assert "Anvil Hare 18  fishplate tightening  finished" in full
    assert full.split()[-5:] == ["discard", "27", "1", "0.80", "999.8"]
    assert "interrupted" in cut


def test_a_narrow_terminal_gets_fewer_columns_and_nothing_cut(
    run_command, bench: Path, monkeypatch: pytest.MonkeyPatch
):
    every = json.loads(run_command(bench, "archive", "list", "--json").out)
    monkeypatch.setattr(console, "WIDTH_WITHOUT_TERMINAL", 125)
    outcome = run_command(bench, "archive", "list")
    assert outcome.err == "2 more columns in a wider terminal.\n"
    assert max(map(len, outcome.out.splitlines())) <= 125
    assert "…" not in outcome.out
    shown = outcome.out.split()
    for run in every:
        assert run["id"] in shown
        assert run["state"] in shown
        assert str(run["lost_samples"]) in shown


def test_list_shows_enough_digits_to_name_a_run(call):
    short = [line.split()[0] for line in call("list").out.splitlines()[2:]]
    shown = [json.loads(call("show", run, "--json").out)["run"]["id"] for run in short]
    assert shown == [ZERO_RUN, FULL_RUN, CUT_RUN]


@pytest.mark.parametrize(
    ("words", "ids"),
    [
        ((), [ZERO_RUN, FULL_RUN, CUT_RUN]),
        (("--plan", "Fishplate Tightening"), [FULL_RUN, CUT_RUN]),
        (("--tool", "anvil hare 18", "--kind", "zero"), [ZERO_RUN]),
        (("--state", "interrupted"), [CUT_RUN]),
        (("--tool", "Little Shunter"), []),
    ],
)
def test_list_filters(call, words: tuple[str, ...], ids: list[str]):
    assert [line["id"] for line in json.loads(call("list", "--json", *words).out)] == ids


def test_list_of_nothing_says_so_on_stderr(call):
    assert call("list", "--tool", "Little Shunter") == (
        0,
        "",
        "No such run: leave out a filter, or record one with `anviltrace capture`.\n",
    )


def test_show_tells_everything_about_a_run(call):
    out = call("show", FULL_RUN).out
    for line in (
        "  rate, samples/s  999.75",
        "  full scale, V      0.078125",
        "  excitation, V      4.998",
        "  mass, kg  2.4",
        "  marks, s         0.1, 1.0, 5.0",
        "  started at       2026-05-04 08:15:00 UTC",
        "  samples 600 to 623: 24 (exactly) lost by the link",
        "  samples 700 to 702: 3 (±1) lost by the converter",
        "  2026-05-04 08:15:01 UTC, sample 640, text: brown-out on the rail µ",
        "  2026-05-04 08:16:00 UTC, discard: socket slipped (T. E.)",
    ):
        assert line in out.splitlines()
    assert f"mean -1204.25 counts, standard deviation 2.50 counts of 300 samples, run {ZERO_RUN}" in out


def test_show_as_json_holds_every_field(call):
    facts = json.loads(call("show", FULL_RUN, "--json").out)
    assert facts["run"]["samples_total"] == 800
    assert facts["settings"]["registers"] == "0126f0"
    assert facts["plan"]["text"] == 'name = "fishplate tightening"\n'
    assert [gap["count"] for gap in facts["gaps"]] == [gap.count for gap in golden_archive.GAPS]
    assert [zero["id"] for zero in facts["zeros"]] == [golden_archive.ZERO.id]
    assert {"tool", "supply", "fitting", "session", "rig", "board", "notices", "decisions"} <= set(facts)


def test_show_of_a_recording_of_taps_says_how_the_rig_rings(root: Path, run_command):
    """Schema 3 brought ring-downs; its golden file holds one."""
    file = root / "fixtures" / "archives" / "schema-4.anviltrace"
    out = run_command(file, "archive", "show", golden_archive.STEP_RUN).out
    assert (
        "natural frequency 1850.5 Hz (standard uncertainty 4.2 Hz), damping 1.25 % of critical (0.05 %)"
        in out
    )


def test_show_of_a_run_without_plan_or_gaps(call):
    out = call("show", ZERO_RUN).out
    assert "gaps: none" in out
    assert "\nplan " not in out


def test_show_wants_one_run(call):
    assert call("show", "0000")[::2] == (6, "error: 3 runs begin with '0000': give more digits of the id\n")
    assert call("show", "fff").err.endswith("has no run fff: `anviltrace archive list` shows them\n")


def test_text_from_a_board_cannot_steer_the_terminal():
    assert commands._printable("\x1b[2Jgone\nµ") == "\\x1b[2Jgone\\nµ"


def test_verify_of_a_whole_archive(call, golden: Path):
    assert call("verify") == (0, f"{golden}: 3 run(s) verified, everything is as it was recorded\n", "")
    assert json.loads(call("verify", "--json", CUT_RUN).out) == {
        "archive": str(golden),
        "runs": 1,
        "findings": [],
    }


def test_verify_ends_with_code_7_when_something_is_damaged(call, golden: Path):
    flip_a_bit(golden)
    outcome = call("verify")
    assert outcome.code == 7
    assert outcome.out.startswith(f"run {FULL_RUN}, samples 0 to 249: stored bytes have CRC-32")
    assert "hand-over copy" in outcome.out
    assert outcome.err == f"error: {golden}: 1 finding(s) in 3 run(s): nothing was changed\n"
    assert call("verify", ZERO_RUN, CUT_RUN).code == 0
    (finding,) = json.loads(call("verify", "--json").out)["findings"]
    assert finding["run_id"] == FULL_RUN
    assert finding["where"] == "samples 0 to 249"


def test_copy_makes_a_file_that_reads_the_same(call, golden: Path, tmp_path: Path):
    target = tmp_path / "given-away.anviltrace"
    outcome = call("copy", str(target), "--json")
    assert outcome.code == 0
    assert json.loads(outcome.out)["size_bytes"] == target.stat().st_size
    for run in (ZERO_RUN, FULL_RUN, CUT_RUN):
        assert call("show", run, archive=target).out == call("show", run, archive=golden).out
    again = call("copy", str(target))
    assert (again.code, again.out) == (6, "")
    assert again.err == f"error: {target} exists and is not overwritten: choose another name\n"


def test_copy_of_a_damaged_archive_keeps_the_copy_and_says_so(call, golden: Path, tmp_path: Path):
    flip_a_bit(golden)
    assert call("copy", str(tmp_path / "copy.anviltrace")).code == 7
    assert call("list", archive=tmp_path / "copy.anviltrace").out == call("list").out


@pytest.mark.parametrize("words", [("list",), ("show", "0"), ("verify",), ("copy", "copy.anviltrace")])
def test_what_is_no_archive_is_one_clear_line(call, tmp_path: Path, words: tuple[str, ...]):
    text = tmp_path / "notes.txt"
    text.write_text("torque\n" * 1000, encoding="utf-8")
    outcome = call(*words, archive=text)
    assert (outcome.code, outcome.out) == (6, "")
    assert outcome.err == f"error: {text} is not an archive (no SQLite file): name an .anviltrace file\n"
    missing = call(*words, archive=tmp_path / "nothing.anviltrace")
    assert (missing.code, missing.err.count("\n")) == (6, 1)
    assert "there is no archive" in missing.err


@pytest.mark.parametrize("command", sorted(commands.archive.commands))
def test_every_command_teaches(call, command: str):
    outcome = call(command, "--help")
    assert outcome.code == 0
    assert "--json" in outcome.out
    assert len(outcome.out.split("Options:")[0].split()) > 25


@pytest.fixture
def current(root: Path, tmp_path: Path) -> Path:
    """A copy of the golden archive of the current version, which has a side channel and a rating."""
    return Path(
        shutil.copy(root / "fixtures" / "archives" / "schema-4.anviltrace", tmp_path / "now.anviltrace")
    )


def test_show_tells_of_side_channels(call, current: Path):
    lines = call("show", golden_archive.STEP_RUN, archive=current).out.splitlines()
    assert "side channels: 1" in lines
    assert (
        "  supply voltage in V from scope.csv, divider 11:1: 30 samples at 500 samples/s, from -0.0200 s on; "
        "added 2026-05-05 08:00:01 UTC"
    ) in lines
    facts = json.loads(call("show", golden_archive.STEP_RUN, "--json", archive=current).out)
    assert [one["quantity"] for one in facts["side channels"]] == ["supply voltage"]


def test_a_run_is_rated_by_whoever_held_the_tool(call, current: Path):
    done = call("rate", FULL_RUN, "4", "--by", "R. O.", "--note", "both hands", archive=current)
    assert (done.code, done.out) == (0, f"Run {FULL_RUN[:8]}: R. O. felt 4 of 10.\n")
    shown = call("show", FULL_RUN, archive=current).out
    assert "ratings: 2" in shown
    assert "T. E. felt 7 of 10 (an opinion): short handle" in shown
    assert "R. O. felt 4 of 10 (an opinion): both hands" in shown


@pytest.mark.parametrize("words", [("11", "--by", "T. E."), ("5",)])
def test_a_rating_has_a_score_up_to_10_and_a_name(call, current: Path, words: tuple[str, ...]):
    assert call("rate", FULL_RUN, *words, archive=current).code == 2
