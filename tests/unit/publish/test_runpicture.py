"""The picture of a run shows what its numbers were made from."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from sample_report import material

from anviltrace.errors import AnalysisError
from anviltrace.metrics.results import RunResult
from anviltrace.publish.curves import Curve
from anviltrace.publish.runpicture import draw_run, write_picture
from anviltrace.records import ScaleKind
from anviltrace.units import NM_PER_LBF_FT, TorqueUnit


@pytest.fixture(scope="module")
def drawn() -> tuple[RunResult, Curve]:
    """A run with blows, and its curve."""
    made = material(repeats=1, drive_s=2.0)
    _, _, result, curve = next(made.drawn())
    assert result.blows is not None
    return result, curve


def test_every_blow_is_marked_at_its_peak(drawn: tuple[RunResult, Curve]):
    result, curve = drawn
    blows, plan = result.blows, result.context.plan
    assert blows is not None
    assert plan is not None
    shorter = replace(result.context, plan=replace(plan, drive_s=1.0))
    whole, close = draw_run(replace(result, context=shorter), curve, TorqueUnit.NM).axes
    marks = {line.get_label(): line.get_ydata() for line in whole.lines if line.get_marker() == "v"}
    later = blows.start_s > 1.0
    assert 0 < later.sum() < len(blows)
    np.testing.assert_array_equal(marks["peaks of blows"], blows.peak_nm[~later])
    np.testing.assert_array_equal(marks["after the drive, not counted"], blows.peak_nm[later])
    (apex,) = (line for line in close.lines if line.get_marker() == "v")
    assert float(apex.get_ydata()[0]) in blows.peak_nm
    assert close.get_title(loc="left").endswith(f", the middle one by peak of {(~later).sum()}")
    assert (whole.get_ylabel(), close.get_ylabel()) == ("torque along the rotation, N·m", "N·m")


def test_pounds_scale_all_of_it(drawn: tuple[RunResult, Curve]):
    result, curve = drawn
    ours, theirs = (draw_run(result, curve, unit).axes[0] for unit in (TorqueUnit.NM, TorqueUnit.LBF_FT))
    for one, other in zip(ours.lines[:3], theirs.lines[:3], strict=True):
        np.testing.assert_allclose(
            np.asarray(one.get_ydata(), float) / NM_PER_LBF_FT, np.asarray(other.get_ydata(), float)
        )
    assert theirs.get_ylabel() == "torque along the rotation, lbf·ft"


def test_a_run_without_blows_says_so(drawn: tuple[RunResult, Curve]):
    result, curve = drawn
    bare = draw_run(replace(result, blows=None), replace(curve, unit="mV/V"), TorqueUnit.NM)
    assert bare.axes[0].get_ylabel() == "reading, mV/V"
    assert [text.get_text() for text in bare.axes[1].texts] == ["no single blow to show"]


def test_peaks_behind_a_filter_are_called_so(drawn: tuple[RunResult, Curve]):
    result, curve = drawn
    words = "CFC600 (SAE J211-1), forward and backward, −3 dB at 1003 Hz"
    figure = draw_run(replace(result, filter=words), curve, TorqueUnit.NM)
    labels = [text.get_text() for text in figure.legends[0].get_texts()]
    assert labels.count("peaks behind the filter") == 1
    assert "peaks of blows" not in labels
    assert figure.get_suptitle().endswith("filter: CFC600 (SAE J211-1)")


def test_no_level_is_drawn_across_a_gap(drawn: tuple[RunResult, Curve]):
    result, curve = drawn
    blows = result.blows
    assert blows is not None
    first = round((float(blows.apex_s[3:5].mean()) - curve.first_s) * curve.rate_hz)
    values = curve.values.copy()
    values[first : first + 5] = np.nan
    whole = draw_run(result, replace(curve, values=values), TorqueUnit.NM).axes[0]
    (level,) = (line for line in whole.lines if line.get_label() == "level between blows")
    drawn_nm = np.asarray(level.get_ydata(), float)[: len(blows)]
    assert np.flatnonzero(np.isnan(drawn_nm)).tolist() == [3]


def test_what_was_imported_in_volts_is_drawn_in_volts(drawn: tuple[RunResult, Curve]):
    result, curve = drawn
    settings = replace(
        result.context.settings, scale_kind=ScaleKind.VOLTAGE, full_scale=10.0, full_scale_code=2**30
    )
    bare = replace(
        result, context=replace(result.context, settings=settings), blows=None, uncalibrated="no scale"
    )
    counts = replace(curve, unit="counts", values=np.full(100, 2.0**29))
    whole, close = draw_run(bare, counts, TorqueUnit.NM).axes
    assert whole.get_ylabel() == "reading, V"
    assert set(whole.lines[0].get_ydata()) == {5.0}
    assert [text.get_text() for text in close.texts] == ["torque is not known, so no blow is shown"]


def test_the_file_bears_the_id_of_the_run(drawn: tuple[RunResult, Curve], tmp_path: Path):
    file = write_picture(tmp_path / "pictures", *drawn, TorqueUnit.NM)
    assert file.name == f"run-{drawn[0].context.run.id}.png"
    assert file.read_bytes()[:8] == b"\x89PNG\r\n\x1a\n"
    (tmp_path / "in the way").write_text("", encoding="utf-8")
    with pytest.raises(AnalysisError, match="choose another folder"):
        write_picture(tmp_path / "in the way", *drawn, TorqueUnit.NM)
