"""Small pictures of one run."""

from __future__ import annotations

import re
from xml.etree import ElementTree

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from anviltrace.publish.curves import Curve
from anviltrace.publish.sketch import HEIGHT, WIDTH, sketch, ticks


def curve(values: list[float]) -> Curve:
    return Curve("run", np.array(values), 1000.0, 0.0, "N·m")


@given(st.floats(-1e6, 1e6), st.floats(1e-3, 1e6))
def test_ticks_are_few_round_and_inside(low: float, span: float) -> None:
    found = ticks(low, low + span)
    assert 2 <= len(found) <= 6 or span < 1e-6 * abs(low)
    assert all(low - 1e-6 * span <= tick <= low + span * (1 + 1e-6) for tick in found)


def test_a_picture_is_well_formed_and_stays_within_its_frame() -> None:
    picture = str(sketch(curve([0.0, 5.0, -2.0, 100.0]), "run <1>", "N·m", ticks_s=[0.001, 9.0], dots=True))
    drawing = ElementTree.fromstring(picture)
    assert drawing.get("aria-label") == "run <1>"  # escaped in the text, whole when read
    assert len(drawing.findall("circle")) == 4
    assert len([path for path in drawing.findall("path") if path.get("class") == "mark"]) == 1
    (line,) = [path.get("d") for path in drawing.findall("path") if path.get("class") == "line"]
    points = [tuple(map(float, pair)) for pair in re.findall(r"[ML]([\d.]+) ([\d.]+)", line or "")]
    assert len(points) == 4
    assert all(0 <= x <= WIDTH and 0 <= y <= HEIGHT for x, y in points)


def test_the_line_breaks_where_samples_are_missing() -> None:
    picture = str(sketch(curve([1.0, 2.0, np.nan, 3.0, 4.0]), "gap", "N·m"))
    (line,) = re.findall(r'class="line" d="([^"]+)"', picture)
    assert line.count("M") == 2


def test_there_is_no_picture_of_nothing() -> None:
    assert sketch(curve([]), "empty", "N·m") == ""
    assert sketch(curve([np.nan, np.nan]), "lost", "N·m") == ""


def test_a_steady_reading_can_be_drawn() -> None:
    assert 'class="line"' in sketch(curve([3.0, 3.0, 3.0]), "steady", "N·m")
