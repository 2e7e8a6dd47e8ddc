"""The static picture."""

from __future__ import annotations

import subprocess
import sys
from xml.etree import ElementTree

import numpy as np
import pytest
from sample_report import material

from anviltrace.publish.charts import as_bytes, overlay
from anviltrace.publish.material import Material
from anviltrace.units import TorqueUnit


@pytest.fixture(scope="module")
def sample() -> Material:
    return material(repeats=2, drive_s=0.4)


def test_a_panel_per_condition_with_a_line_per_run(sample: Material) -> None:
    panels = [axes for axes in overlay(sample).axes if axes.get_visible()]
    assert [len(axes.lines) for axes in panels] == [2, 2, 2, 2, 1]
    assert panels[0].get_ylabel() == "torque, N·m"
    assert panels[0].get_title(loc="left").startswith("Anvil Hare 18 · Drybeck 5 Ah (fresh)")


def test_the_highest_sample_of_every_run_is_on_the_picture(sample: Material) -> None:
    drawn = [np.nanmax(line.get_ydata()) for axes in overlay(sample).axes for line in axes.lines]
    assert drawn == [np.nanmax(curve.values) for *_, curve in sample.drawn()]


def test_an_svg_is_the_same_every_time(sample: Material) -> None:
    first, second = (as_bytes(overlay(sample), "svg") for _ in range(2))
    assert first == second
    assert ElementTree.fromstring(first).tag.endswith("svg")
    assert b"dc:date" not in first


def test_a_png_is_one(sample: Material) -> None:
    assert as_bytes(overlay(sample), "png").startswith(b"\x89PNG\r\n\x1a\n")


def test_another_unit_is_drawn_and_named(sample: Material) -> None:
    english = Material(sample.title, sample.results, sample.curves, unit=TorqueUnit.LBF_FT)
    there, here = overlay(english).axes[0], overlay(sample).axes[0]
    assert there.get_ylabel() == "torque, lbf·ft"
    ratio = np.nanmax(here.lines[0].get_ydata()) / np.nanmax(there.lines[0].get_ydata())
    assert ratio == pytest.approx(1.3558179)


def test_pyplot_with_its_global_state_is_never_imported() -> None:
    code = "import sys, anviltrace.publish.report; sys.exit('matplotlib.pyplot' in sys.modules)"
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0
