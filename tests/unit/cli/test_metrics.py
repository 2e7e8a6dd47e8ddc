"""``anviltrace metrics``, from the command line to what is printed."""

from __future__ import annotations

import csv
import json
import re
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest
import recorded
from struck_facts import facts_of

from anviltrace.cli.metrics import _description, _passes, _same_reason
from anviltrace.cli.options import FILTER_NAMES
from anviltrace.metrics.catalogue import CATALOGUE
from anviltrace.metrics.evaluate import evaluate
from anviltrace.metrics.figures import value_with_uncertainty
from anviltrace.metrics.flagtable import FLAGS
from anviltrace.metrics.results import Value
from anviltrace.trace.filters import FILTERS
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
    headings = " ".join(" ".join(lines[:3]).split())
    assert "final retained" in headings
    assert "N·m·s" in headings
    assert all("with care" in row or "good" in row for row in rows)
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


def test_a_run_without_a_time_zero_is_described_all_the_same() -> None:
    facts = facts_of(np.zeros(3000), 15_000.0)
    words = _description(evaluate(facts))
    assert "held rig" in " ".join(words)
    assert "time zero" not in " ".join(words)


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
    assert "lbf·ft" in " ".join(call("--units", "lbf-ft").out.splitlines()[:3])
    squared = here["impulse_squared"], there["impulse_squared"]
    ratio = float(str(squared[0]["value"])) / float(str(squared[1]["value"]))
    assert ratio == pytest.approx(NM_PER_LBF_FT**2)
    assert squared[1]["unit"] == "(lbf·ft·s)²"


@pytest.mark.parametrize(
    ("filter_", "there"),
    [
        ("--tool", "'Anvil Hare 18'"),
        ("--plan", "'"),
        ("--supply", "'"),
        ("--supply-state", "'fresh'"),
        ("--set", "none has one"),
    ],
)
def test_filters_leave_out_what_has_another_name(call, filter_: str, there: str) -> None:
    outcome = call(filter_, "nobody")
    assert outcome.code == 0
    assert outcome.out == ""
    assert f"No such run among 2. They have {filter_}: {there}" in outcome.err


@pytest.mark.parametrize(("beginning", "passes"), [("4F2A", True), ("4f2a1b2c-9d", True), ("4f2b", False)])
def test_the_id_of_a_set_may_be_shortened(beginning: str, passes: bool) -> None:
    run = SimpleNamespace(set_id="4f2a1b2c-9d4e-4000-8000-000000000001", supply_state="fresh")
    context = SimpleNamespace(run=run, tool=None, plan=None, supply=None)
    wanted = {"tool": None, "plan": None, "supply": None, "supply-state": "fresh", "set": beginning}
    assert _passes(context, wanted) is passes


@pytest.mark.parametrize("number", ["nan", "inf", "0"])
def test_a_threshold_is_a_number(call, number: str) -> None:
    assert call("--threshold", "10", "--threshold", number, "--json").code == 2


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


def test_a_run_is_shown_in_groups_with_its_quality_first(call) -> None:
    data = json.loads(call("--json").out)[1]
    lines = call(data["run"]).out.splitlines()
    headings = [line.strip() for line in lines if line.strip() and line == line.upper() and "±" not in line]
    assert headings[:2] == ["WHAT IT COMES TO", "THE BLOWS"]
    assert any(line.strip().startswith(f"quality: {data['quality']['grade']}") for line in lines[:5])
    assert lines.index(next(line for line in lines if "mean torque" in line)) < 8


def test_thresholds_give_times_or_more_than_the_time_watched(call) -> None:
    words = ("--threshold", "20", "--threshold", "390")
    run = json.loads(call("--json", *words).out)[1]
    reached, not_reached = (value for value in run["values"] if value["name"] == "time_to")
    assert (reached["at_nm"], reached["unit"], reached["at_s"]) == (20.0, "s", None)
    assert reached["value"] >= 0.0
    assert (not_reached["value"], not_reached["at_nm"]) == (None, 390.0)
    assert 0.3 < not_reached["beyond"] < 1.0
    shown = call(run["run"], *words).out
    assert "time to 390 N·m" in shown
    assert f"> {not_reached['beyond']:.3g}"[:5] in shown
    assert "390 N·m not reached within" in shown


def test_metrics_and_flags_are_one_page(call, root: Path) -> None:
    page = call("--explain", "--markdown").out
    kept = root / "host" / "anviltrace" / "metrics" / "METRICS.md"
    assert page == kept.read_text(encoding="utf-8"), "make it anew: anviltrace metrics --explain --markdown"
    for entry in CATALOGUE.values():
        assert entry.definition in page
    for flag in FLAGS.values():
        assert f"**{flag.name}**" in page
    assert "raised: " in call("--explain", "early_release").out


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
        (("--explain", "breakaway"), 11, "no metric 'breakaway': `anviltrace metrics --explain` lists them"),
        (("--explain", "mean_peak"), 11, "no metric 'mean_peak': perhaps "),
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
    assert "inf" not in {row[heading.index("degrees of freedom")] for row in rows}
    assert call("--csv", "--json").code == 2


def test_pictures_are_written_where_asked(call, tmp_path: Path):
    shown = call("--pictures", str(tmp_path / "pictures"))
    assert "Pictures of 2 runs" in shown.err
    assert len(list((tmp_path / "pictures").glob("run-*.png"))) == 2


def test_recompute_gives_the_same(call):
    assert call("--recompute", "--json").out == call("--json").out


def test_a_filter_is_named_beside_the_numbers_it_is_used_for(call) -> None:
    shown = call("--filter", "cfc600")
    words = "CFC600 (SAE J211-1), forward and backward, −3 dB at "
    assert shown.code == 0
    assert f"filter: {words}" in shown.out
    told = " ".join(shown.out.split())
    assert re.search(r"behind CFC600, which leaves \d\d% of such peaks: of half a sine as wide as", told)
    behind, without = (json.loads(call("--json", *more).out)[0] for more in (("--filter", "CFC180"), ()))
    assert behind["filter"].startswith("CFC180 (SAE J211-1)")
    assert without["filter"] == "none"
    peak, bare = (next(v for v in one["values"] if v["name"] == "peak_mean") for one in (behind, without))
    assert peak["value"] < 0.8 * bare["value"]
    assert peak["value"] + peak["expanded"] + peak["under_read"] > bare["value"]
    mean, bare = (next(v for v in one["values"] if v["name"] == "impulse_mean") for one in (behind, without))
    assert mean == bare


def test_the_filters_of_the_option_are_those_there_are() -> None:
    assert set(FILTER_NAMES) == set(FILTERS)


def test_a_group_with_a_lower_bound_in_it_is_not_told_in_one_line() -> None:
    withheld = Value("width_median", None, withheld="tops are cut off")
    assert _same_reason([withheld, withheld])
    assert not _same_reason([withheld])
    assert not _same_reason([Value("peak_max", None, beyond=294.0, withheld="tops are cut off"), withheld])
    assert not _same_reason([withheld, Value("rise_median", None, withheld="no blow")])
    assert not _same_reason([withheld, Value("peak_max", 300.0)])


@pytest.mark.parametrize(
    ("words", "runs"),
    [
        (("--supply-state", "fresh"), 2),
        (("--supply-state", "tired"), 0),
        (("--set", "ffff"), 0),
        (("--tool", "Anvil Hare 18", "--supply-state", "fresh"), 2),
    ],
)
def test_runs_of_a_condition(call, words: tuple[str, ...], runs: int):
    assert len(json.loads(call(*words, "--json").out)) == runs
