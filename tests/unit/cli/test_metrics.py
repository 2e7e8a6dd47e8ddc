"""``anviltrace metrics``, from the command line to what is printed."""

from __future__ import annotations

import csv
import json
from pathlib import Path

import pytest
import recorded

from anviltrace.metrics.catalogue import CATALOGUE
from anviltrace.metrics.figures import value_with_uncertainty
from anviltrace.units import NM_PER_LBF_FT


@pytest.fixture
def call(bench: Path, run_command):
    """Run ``anviltrace metrics ...`` on an archive of two kept runs."""
    return lambda *words, archive=bench: run_command(archive, "metrics", *words)


def values(outcome) -> list[dict[str, dict[str, object]]]:
    return [{value["name"]: value for value in run["values"]} for run in json.loads(outcome.out)]


def test_the_overview_shows_the_kept_runs_with_uncertainties(call) -> None:
    outcome = call()
    assert (outcome.code, outcome.err) == (0, "")
    lines = outcome.out.splitlines()
    rows = [line for line in lines if "Anvil Hare 18" in line]
    assert len(rows) == 2
    assert all(row.count("±") >= 5 for row in rows)
    assert "final retained torque" in lines[0]
    assert "N·m·s" in lines[1]
    assert "natural frequency is not on record" in outcome.out
    assert "40 of" in outcome.out  # the samples lost in the first run


def test_a_run_by_name_shows_everything_about_it(call) -> None:
    run_id = json.loads(call("--json").out)[0]["run"]
    outcome = call(run_id)
    assert outcome.code == 0
    assert "retained torque at 0.5 s" in outcome.out
    assert "time zero is the first blow" in outcome.out
    for name in ("blow rate", "blow width", "highest peak", "maximum torque"):
        assert name in outcome.out


def test_data_carries_its_unit_and_agrees_with_what_is_printed(call) -> None:
    first, second = values(call("--json"))
    assert first["retained_final"]["unit"] == "N·m"
    assert first["impulse_mean"]["unit"] == "N·m·s"
    assert first["blow_rate"]["unit"] == "1/s"
    retained = second["retained_final"]
    text = value_with_uncertainty(float(str(retained["value"])), float(str(retained["expanded"])))
    assert text in call().out
    assert first["blow_count"]["dof"] is None


def test_the_other_unit_is_shown_everywhere(call) -> None:
    (here, _), (there, _) = values(call("--json")), values(call("--json", "--units", "lbf-ft"))
    for key in ("value", "expanded", "common"):
        ratio = float(str(here["retained_final"][key])) / float(str(there["retained_final"][key]))
        assert ratio == pytest.approx(NM_PER_LBF_FT)
    assert there["impulse_mean"]["unit"] == "lbf·ft·s"
    assert here["blow_rate"]["value"] == there["blow_rate"]["value"]
    assert "lbf·ft" in call("--units", "lbf-ft").out.splitlines()[1]


@pytest.mark.parametrize("filter_", ["--tool", "--plan", "--supply"])
def test_filters_leave_out_what_has_another_name(call, filter_: str) -> None:
    outcome = call(filter_, "nobody")
    assert outcome.code == 0
    assert outcome.out == ""
    assert "No such run" in outcome.err


def test_a_run_named_is_shown_though_it_was_discarded(call) -> None:
    (run,) = json.loads(call("--json", f"{recorded.shop().run(403).id}").out)
    assert not run["kept"]


def test_without_a_calibration_readings_stand_in(call, tmp_path: Path) -> None:
    path = tmp_path / "raw.anviltrace"
    recorded.record(path, calibrated=False, runs=1)
    outcome = call(archive=path)
    assert "mV/V" in outcome.out
    assert "withheld" in outcome.out
    assert "no calibration for clockwise torque on this rig" in outcome.out


def test_a_metric_is_explained(call) -> None:
    outcome = call("--explain", "retained_final")
    assert "50 to 200 ms after the last blow" in " ".join(outcome.out.split())
    assert "uncertainty:" in outcome.out
    every = call("--explain", "--json")
    assert [entry["name"] for entry in json.loads(every.out)] == list(CATALOGUE)
    assert call("--explain").out.count("\n") >= 2 * len(CATALOGUE)


@pytest.mark.parametrize(
    ("words", "code", "said"),
    [
        (("--explain", "breakaway"), 11, "there is no metric 'breakaway': use one of retained_final"),
        ((f"{recorded.shop().run(301).id}",), 11, "is a zero recording: name the run of a tool"),
        (("ffff",), 6, "has no run ffff"),
    ],
)
def test_what_cannot_be_shown_is_one_line_and_an_exit_code(call, words, code: int, said: str) -> None:
    outcome = call(*words)
    assert outcome.code == code
    assert outcome.err.startswith("error: ")
    assert said in outcome.err
    assert outcome.err.count("\n") == 1


def test_csv_has_a_row_for_each_metric(call):
    shown = call("--csv")
    (heading, *rows) = list(csv.reader(shown.out.splitlines()))
    assert heading[:7] == ["run", "tool", "supply", "supply state", "plan", "repeat", "metric"]
    assert len({row[0] for row in rows}) == 2
    unit = heading.index("unit")
    assert {row[unit] for row in rows if row[6] == "peak_mean"} == {"N·m"}
    assert call("--csv", "--json").code == 2


def test_pictures_are_written_where_asked(call, tmp_path: Path):
    shown = call("--pictures", str(tmp_path / "pictures"))
    assert "Pictures of 2 runs" in shown.err
    assert len(list((tmp_path / "pictures").glob("run-*.png"))) == 2


def test_recompute_gives_the_same(call):
    assert call("--recompute", "--json").out == call("--json").out
