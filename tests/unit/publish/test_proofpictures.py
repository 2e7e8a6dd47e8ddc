"""Pictures of a check show what they should, and are the same for the same counts."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from readingatrest import SETTINGS, at_rest, counts_at_rest
from rungtaps import tapped

from anviltrace.capture.tap import TapsFound
from anviltrace.proof.session import Checked, CheckRuns
from anviltrace.proof.sizes import sizes_of
from anviltrace.publish.charts import as_bytes
from anviltrace.publish.proofpictures import draw_ring_down, draw_spectrum, write_pictures
from anviltrace.records import Run, RunKind, RunState
from anviltrace.trace.ringdown import combine_taps, find_taps, measure_tap

RUN = Run("0a1b2c3d", "session", "settings", RunKind.CHECK, RunState.FINISHED, "2026-05-04T08:15:00Z", 1)


@pytest.fixture(scope="module")
def checked() -> Checked:
    signal = 1000.0 * tapped(1800.0, 0.02, taps=5)
    sd = float(np.std(signal[:14_000]))
    taps = tuple(signal[one] for one in find_taps(signal, 30_000.0, float(np.median(signal[:14_000])), sd))
    rung: Any = combine_taps([measure_tap(tap, 30_000.0, sd) for tap in taps])
    times = np.arange(20_000) / 1000.2
    counts = counts_at_rest() + np.rint(60.0 * np.sin(2.0 * np.pi * 50.0 * times))
    runs = CheckRuns(RUN, SETTINGS, "sixth", taps=RUN, tap_settings=SETTINGS)
    sizes = sizes_of(SETTINGS, None, None)
    return Checked(runs, at_rest(counts), sizes, (), TapsFound(taps, 30_000.0, sd), rung)


def test_the_spectrum_marks_the_hum_in_the_unit_of_the_bridge(checked: Checked) -> None:
    (axes,) = draw_spectrum(checked).axes
    (mark,) = [text.get_text() for text in axes.texts]
    assert mark.startswith("mains hum: 0.0")
    assert mark.endswith("µV/V at 50.00 Hz") or "Hz" in mark
    assert axes.get_ylabel() == "amplitude density, µV/V per √Hz"


def test_a_quiet_rig_says_that_no_hum_was_seen(checked: Checked) -> None:
    (axes,) = draw_spectrum(replace(checked, reading=at_rest())).axes
    assert axes.get_title(loc="left").endswith("no mains hum seen")
    assert not axes.texts


def test_the_fitted_decay_goes_through_the_swings_of_all_taps(checked: Checked) -> None:
    """On the logarithmic axis: no swing above it by more than noise, the highest ones right at it."""
    _, falling = draw_ring_down(checked).axes
    *taps, decay = falling.lines
    assert len(taps) == 5
    (x0, x1), (y0, y1) = decay.get_xdata(), decay.get_ydata()
    for tap in taps:
        x, y = np.asarray(tap.get_xdata()), np.asarray(tap.get_ydata())
        late = (x > 2.0) & (y > 0.1)
        ratio = y[late] / (y0 * (y1 / y0) ** ((x[late] - x0) / (x1 - x0)))
        assert 0.97 < np.median(np.sort(ratio)[-5:]) < 1.05


def test_the_same_check_gives_the_same_picture(checked: Checked) -> None:
    first, second = (as_bytes(draw_ring_down(checked), "png") for _ in range(2))
    assert first == second


def test_what_there_is_not_is_not_drawn(checked: Checked, tmp_path: Any) -> None:
    without = replace(checked, rung=None, taps=None)
    assert [path.name for path in write_pictures(tmp_path, without)] == ["spectrum.png"]
    short = replace(without, reading=at_rest(counts_at_rest()[:30]))
    assert write_pictures(tmp_path, short) == []
