"""The report's page, without a browser."""

from __future__ import annotations

import base64
import hashlib
import json
import re
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from findings import result, torque
from htmlreader import Reader
from sample_report import HOSTILE, material

from anviltrace.metrics.catalogue import CATALOGUE
from anviltrace.publish import plot
from anviltrace.publish.curves import Curve
from anviltrace.publish.material import Material
from anviltrace.publish.page import render
from anviltrace.publish.sheet import css_string
from anviltrace.units import TorqueUnit


@pytest.fixture(scope="module")
def sample() -> Material:
    return material(repeats=2, drive_s=0.4)


@pytest.fixture(scope="module")
def page(sample: Material) -> str:
    return render(sample)


@pytest.fixture(scope="module")
def reader(page: str) -> Reader:
    return Reader(page)


def packed(charts: list[dict[str, Any]]) -> list[np.ndarray]:
    """The samples of every curve, as the page's script unpacks them."""
    return [
        np.frombuffer(base64.b64decode(entry["samples"]), "<i2") * entry["step"]
        for chart in charts
        for entry in chart["curves"]
    ]


def without_scripts(page: str) -> str:
    return re.sub(r"<script.*?</script>", "", page, flags=re.DOTALL)


def test_every_element_is_closed(reader: Reader) -> None:
    assert reader.open == []


def test_nothing_is_loaded_from_anywhere(page: str, reader: Reader) -> None:
    assert re.findall(r"https?:|//[a-z]", without_scripts(page)) == []
    loading = [
        entry for entry in reader.attributes if entry[1] in ("src", "href", "srcset", "data", "poster")
    ]
    assert loading == []
    assert "@import" not in page
    assert "url(" not in without_scripts(page)


def test_only_the_scripts_in_it_may_run(page: str, reader: Reader) -> None:
    (policy,) = [
        value
        for tag, name, value in reader.attributes
        if (tag, name) == ("meta", "content") and "src" in value
    ]
    assert "unsafe-eval" not in policy
    assert policy.startswith("default-src 'none'; ")
    running = re.findall(r"<script>(.*?)</script>", page, flags=re.DOTALL)
    assert len(running) == 2
    for script in running:
        digest = base64.b64encode(hashlib.sha256(script.encode()).digest()).decode()
        assert f"'sha256-{digest}'" in policy


def test_names_with_html_in_them_are_words() -> None:
    hostile = render(material(repeats=1, drive_s=0.2, hostile=True))
    assert HOSTILE not in hostile
    reader = Reader(hostile)
    assert reader.open == []
    assert HOSTILE in reader.text
    assert hostile.count("<script>") == 2


def test_a_title_in_the_style_sheet_is_words() -> None:
    assert css_string('Bolts 3"') == r"Bolts 3\22 "
    assert css_string("</style>\n") == r"\3c /style\3e \a "


def test_data_cannot_end_its_element() -> None:
    text = plot.as_data_block({"name": "</script><!--\u2028"})
    assert "<" not in text
    assert json.loads(text) == {"name": "</script><!--\u2028"}


def test_every_condition_shows_value_uncertainty_and_number_of_runs(sample: Material, reader: Reader) -> None:
    for group, summaries in zip(sample.compared, sample.summaries, strict=True):
        assert group.condition.short_label in reader.text
        for summary in summaries:
            assert sample.shower.mean(summary) in reader.text


def test_what_is_withheld_says_why(reader: Reader) -> None:
    assert "withheld: the rig rings at 900 Hz" in reader.text


def test_what_was_left_out_is_counted(reader: Reader) -> None:
    assert "left out: 1 discarded" in reader.text


def test_no_number_is_left_unrounded(page: str) -> None:
    words = Reader(without_scripts(page)).text
    assert re.findall(r"\d\.\d{6,}", words) == []
    assert re.findall(r"\d[eE][-+]\d", words) == []
    assert re.findall(r"\b(?:nan|None|inf)\b", words) == []


def test_metrics_that_occur_are_defined(sample: Material, reader: Reader) -> None:
    for name in {value.name for found in sample.results for value in found.values}:
        assert CATALOGUE[name].definition in reader.text


def test_the_quality_of_every_run_is_told(sample: Material, reader: Reader) -> None:
    for number in range(len(sample.compared)):
        for kept in sample.compared[number].kept:
            assert kept.quality.text in reader.text
    assert "what it comes to" in reader.text


def test_every_table_scrolls_in_its_own_box(page: str) -> None:
    boxes = re.findall(r'<div class="scroll"[^>]*>\s*<table', page)
    assert len(boxes) == page.count("<table ") + page.count("<table>") > 10


def test_calibration_says_what_it_does_not_say(reader: Reader) -> None:
    assert "nothing about how the rig responds to impacts" in reader.text
    assert "counts per N·m" in reader.text


def test_claims_stand_beside_measurements_with_their_differences(reader: Reader) -> None:
    assert "Anvil Hare 18: maximum torque, 420 N·m claimed" in reader.text
    assert "friction under the nut is not in it" in reader.text


def test_another_unit_is_used_throughout(sample: Material) -> None:
    english = render(
        Material(
            sample.title, sample.results, sample.curves, sample.claims, sample.calibrations, TorqueUnit.LBF_FT
        )
    )
    words = Reader(english).text
    assert "lbf·ft" in words
    assert "N·m" not in words


def test_every_sample_is_in_the_file(sample: Material) -> None:
    data = plot.charts(sample)
    assert [chart["condensed"] for chart in data] == [1, 1]
    curves = [curve for *_, curve in sample.drawn()]
    assert sum(len(chart["curves"]) for chart in data) == len(curves)
    assert sum(map(len, packed(data))) == sum(len(curve.values) for curve in curves)


def test_there_is_a_chart_for_each_plan(sample: Material) -> None:
    tightening, loosening = plot.charts(sample)
    assert (tightening["heading"], tightening["conditions"]) == ("fishplate tightening", [0, 1, 2, 3])
    assert (loosening["heading"], loosening["conditions"]) == ("fishplate loosening", [4])


def test_high_curves_are_drawn_first_so_that_low_ones_stay_in_sight(sample: Material) -> None:
    for chart in plot.charts(sample):
        heights = [values.max() for values in packed([chart])]
        assert heights == sorted(heights, reverse=True)


def test_very_long_runs_are_condensed_and_the_page_says_so(
    sample: Material, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(plot, "MOST_SAMPLES", 20_000)
    data = plot.charts(sample)
    assert sum(map(len, packed(data))) <= 20_000 + 2 * sum(len(chart["curves"]) for chart in data)
    highest = max(np.nanmax(curve.values) for *_, curve in sample.drawn())
    assert max(values.max() for values in packed(data)) == pytest.approx(highest)
    assert f"each {data[0]['condensed']} samples" in Reader(render(sample)).text


def test_runs_without_a_calibration_are_shown_as_readings() -> None:
    bare = replace(
        result(1, torque(None), torque(0.7, "maximum_mv_per_v", expanded=None)),
        uncalibrated="no calibration for clockwise torque",
    )
    curve = Curve(bare.context.run.id, np.linspace(0.0, 0.7, 500), 1000.0, 0.0, "mV/V")
    words = Reader(render(Material("bare", (bare,), {curve.run_id: curve}))).text
    assert "Torque withheld: no calibration for clockwise torque" in words
    assert "greatest reading" in words


def test_a_report_of_runs_without_curves_has_no_chart_and_no_script(sample: Material) -> None:
    page = render(Material("none", sample.results, {}))
    assert "<script" not in page
    assert Reader(page).open == []
