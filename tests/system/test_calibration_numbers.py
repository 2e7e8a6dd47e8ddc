"""``calibration show`` on a full course of the virtual rig: quantities, model and budgets."""

from __future__ import annotations

import json
from typing import Any

import pytest
from click.testing import CliRunner, Result
from demofiles import copy_demo_files

from anviltrace.cli import console
from anviltrace.cli.main import cli
from anviltrace.errors import CalibrationError


@pytest.fixture(scope="module")
def recorded(tmp_path_factory: pytest.TempPathFactory) -> list[str]:
    """Arguments that show a full course: two series up, then up and down after each remounting."""
    folder = tmp_path_factory.mktemp("numbers")
    copy_demo_files(folder, "bench.toml", "weights.toml")
    archive = ["--archive", str(folder / "bench.anviltrace")]
    files = ["--inventory", str(folder / "weights.toml"), "--bench", str(folder / "bench.toml")]
    run("record", "--arm", "long arm", "--direction", "cw", "--course", "full", "--port",
        "virtual://deadweight-hx711?seed=6", *files, *archive)  # fmt: skip
    made = json.loads(run("list", "--json", *archive).stdout)
    return [made[0]["id"], *archive]


def run(*arguments: str) -> Result:
    result = CliRunner().invoke(cli, ["calibration", *arguments], catch_exceptions=False)
    assert result.exit_code == 0, result.output
    return result


@pytest.fixture(scope="module")
def numbers(recorded: list[str]) -> dict[str, Any]:
    return json.loads(run("show", *recorded, "--json").stdout)["numbers"]


def test_a_full_course_misses_nothing(numbers: dict[str, Any]) -> None:
    found = numbers["quantities"]
    assert found["missing"] == {}
    assert len(found["levels"]) == 5
    assert found["levels"][-1]["reversibility_percent"] is None  # the turning point
    assert 0.0 < found["worst_percent"]["repeatability_percent"] < 0.1
    assert found["worst_percent"]["reproducibility_percent"] < 0.3


def test_the_weights_explain_what_the_line_leaves_over(numbers: dict[str, Any]) -> None:
    """Readings repeat to a thousandth of what the plates are known to: no bend is believed."""
    line = numbers["model"]["curves"][0]
    assert line["lack_of_fit_f"] > 10.0 * line["lack_of_fit_limit"]
    assert line["allowing_for_loads"]["f"] < line["allowing_for_loads"]["limit"]
    assert numbers["model"]["degree"] == 1


def test_the_empty_arm_by_the_zeros_and_as_computed(recorded: list[str]) -> None:
    """The virtual rig's long arm truly makes 9.71 N·m of its own."""
    empty = json.loads(run("show", *recorded, "--json").stdout)["arm"]["empty"]
    for one in ("computed", "read"):
        assert abs(empty[one]["moment"] - 9.71) < empty[one]["expanded"] < 1.0
    assert empty["agrees"]
    assert "part of the zero; by the zeros without and with it reads" in empty["told"]
    assert "not known" not in empty["told"]


def test_both_results(numbers: dict[str, Any]) -> None:
    rising, both = numbers["results"]
    assert (rising["case"], both["case"]) == ("increasing only", "with hysteresis")
    assert both["budget"]["expanded"] > rising["budget"]["expanded"]
    for result in (rising, both):
        budget = result["budget"]
        assert sum(term["share_percent"] for term in budget["terms"]) == pytest.approx(100.0)
        assert budget["expanded"] == pytest.approx(budget["k"] * budget["u"])
        assert 2.0 < budget["k"] < 4.53
        assert "from memory" in result["indicative_class"]["warning"]
        smallest = [row["torque"] for row in result["smallest_usable"]]
        assert smallest == sorted(smallest, reverse=True)


def test_at_a_torque_in_another_unit_by_another_profile(recorded: list[str]) -> None:
    options = ["--at", "100", "--units", "lbf-ft", "--profile", "dkd-r-3-8:2003"]
    said = json.loads(run("show", *recorded, *options, "--json").stdout)["numbers"]
    budget = said["results"][-1]["budget"]
    assert budget["torque"] == pytest.approx(100.0)
    assert {"b'", "b", "h"} <= {term["symbol"] for term in budget["terms"]}
    other = json.loads(run("show", *recorded, "--at", "135.5818", "--json").stdout)["numbers"]
    (ours,) = (term for term in budget["terms"] if term["symbol"] == "L")
    (in_nm,) = (term for term in other["results"][-1]["budget"]["terms"] if term["symbol"] == "L")
    assert in_nm["u"] == pytest.approx(ours["u"] * 1.355818, rel=1e-5)
    assert in_nm["sensitivity"] == pytest.approx(ours["sensitivity"] * 1.355818, rel=1e-5)


def test_for_a_person(recorded: list[str]) -> None:
    said = run("show", *recorded, "--at", "200").stdout
    for words in (
        "At each load, in percent of the reading:",
        "Which curve the rising readings ask for:",
        "A new mounting may change the slope",
        "Result increasing only, at 200.0 N·m",
        "Result with hysteresis, at 200.0 N·m",
        "budget by profile anviltrace-2",
        "from one mounting to the next",
        "not in it: temperature",
        "indicative only: limits from memory",
    ):
        assert words in said


def test_beyond_the_weights(recorded: list[str]) -> None:
    result = CliRunner().invoke(cli, ["calibration", "show", *recorded, "--at", "900"])
    assert isinstance(result.exception, SystemExit | CalibrationError)
    assert "highest load of 321.8 N·m" in result.stderr + str(result.exception)


def test_a_budget_on_a_narrow_terminal_is_whole(recorded: list[str], monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(console, "WIDTH_WITHOUT_TERMINAL", 100)
    shown = run("show", *recorded, "--all").stdout
    table = shown[shown.index("distribution") :].partition("not in it")[0]
    assert "…" not in table
    assert "e-" not in table  # no powers of ten
    assert table.count("rectangular") > 5
    shares = [float(line.split()[-1]) for line in table.splitlines() if "∞" in line]
    assert len(shares) > 10
    assert max(shares) > 10.0


def test_the_list_on_a_narrow_terminal_is_whole(recorded: list[str], monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(console, "WIDTH_WITHOUT_TERMINAL", 90)
    shown = run("list", *recorded[1:]).stdout
    (made,) = json.loads(run("list", *recorded[1:], "--json").stdout)
    assert max(map(len, shown.splitlines())) <= 90
    assert "…" not in shown
    for word in (made["id"][:8], *made["taken_at"][:19].split("T"), made["direction"]):
        assert word in shown.split()
