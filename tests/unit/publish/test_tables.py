"""Runs and metrics as CSV."""

from __future__ import annotations

import csv
from dataclasses import replace
from io import StringIO

import pytest
from hypothesis import given
from hypothesis import strategies as st
from sample_report import material

from anviltrace.publish.material import Material
from anviltrace.publish.tables import METRIC_COLUMNS, RUN_COLUMNS, metrics_csv, runs_csv, safe_text
from anviltrace.units import NM_PER_LBF_FT, TorqueUnit


@pytest.fixture(scope="module")
def sample() -> Material:
    return material(repeats=2, drive_s=0.4)


def rows(text: str) -> list[dict[str, str]]:
    return list(csv.DictReader(StringIO(text, newline="")))


def test_every_run_has_a_row_also_those_left_out(sample: Material) -> None:
    found = rows(runs_csv(sample))
    assert list(found[0]) == list(RUN_COLUMNS)
    assert [row["run"] for row in found] == [result.context.run.id for result in sample.results]
    assert found[-1]["decision"] == "discard"
    assert found[0]["rate, 1/s"] == "7500.0"


def test_numbers_are_whole_and_reasons_stand_where_there_is_none(sample: Material) -> None:
    found = rows(metrics_csv(sample.results, sample.shower))
    assert list(found[0]) == list(METRIC_COLUMNS)
    values = [value for result in sample.results for value in result.values]
    assert len(found) == len(values)
    for row, value in zip(found, values, strict=True):
        assert (float(row["value"]) if row["value"] else None) == value.value
        assert bool(row["withheld because"]) is (value.value is None)
        assert (float(row["expanded uncertainty (95 %)"]) if row["value"] else None) == value.expanded
    assert {row["mark, s"] for row in found if row["metric"] == "retained_at"} == {"0.5", "2.0"}


def test_another_unit_changes_torque_only(sample: Material) -> None:
    english = Material(sample.title, sample.results, sample.curves, unit=TorqueUnit.LBF_FT)
    for here, there in zip(
        rows(metrics_csv(sample.results, sample.shower)),
        rows(metrics_csv(english.results, english.shower)),
        strict=True,
    ):
        factor = NM_PER_LBF_FT if "N·m" in here["unit"] else 1.0
        if here["value"]:
            assert float(here["value"]) == pytest.approx(float(there["value"]) * factor)
            assert there["unit"] == here["unit"].replace("N·m", "lbf·ft")


@given(st.text(max_size=20))
def test_no_text_begins_like_a_formula(text: str) -> None:
    safe = safe_text(text)
    assert not safe.startswith(("=", "+", "-", "@", "\t", "\r", "\n"))
    assert safe in (text, f"'{text}")


def test_a_tool_called_like_a_formula_stays_a_text(sample: Material) -> None:
    first = sample.results[0]
    assert first.context.tool is not None
    tool = replace(first.context.tool, name='=HYPERLINK("x")', note="")
    named = replace(first, context=replace(first.context, tool=tool))
    made = Material("t", (named,), sample.curves)
    assert rows(runs_csv(made))[0]["tool"] == '\'=HYPERLINK("x")'
    assert rows(metrics_csv(made.results, made.shower))[0]["tool"] == '\'=HYPERLINK("x")'
