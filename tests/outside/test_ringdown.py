"""Frequency and damping of rings against public exercises and a real structure."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import published
import pytest
from scipy.signal import butter, sosfiltfilt

from anviltrace.trace.ringdown import RungTap, combine_taps, measure_tap

RATE_HZ = 30_000.0


@pytest.mark.parametrize("row", published.rows("log_decrement.csv"))
def test_a_ring_that_falls_as_the_exercise_says_has_its_damping(row):
    """fixtures/published/log_decrement.csv: both ways of measuring give the damping of the exercise."""
    damped_hz = 1000.0
    times = np.arange(round(0.4 * RATE_HZ)) / RATE_HZ
    falls = row["ratio"] ** (-times * damped_hz / row["swings"])
    noise = 1e-4
    ring = falls * np.sin(2.0 * np.pi * damped_hz * times)
    ring += noise * np.random.default_rng(1).standard_normal(times.size)
    tap = measure_tap(ring, RATE_HZ, noise)
    assert isinstance(tap, RungTap)
    assert tap.damping_ratio == pytest.approx(row["damping"], rel=2e-3)
    assert tap.decrement_ratio == pytest.approx(row["damping"], rel=0.02)
    assert tap.natural_hz == pytest.approx(damped_hz / math.sqrt(1.0 - row["damping"] ** 2), rel=1e-4)


@pytest.mark.parametrize("row", published.rows("ring_down_modes.csv"))
def test_modes_of_a_real_structure(root: Path, row):
    """Five hits, each mode by itself in a narrow band, from 50 ms after the hit: the filter has settled."""
    file = root.parent / "shared" / "reference" / "recordings" / "hammer_5hits_25600Hz.npz"
    if not file.exists():
        pytest.skip("the recordings of real hammer pulses are not beside this checkout")
    with np.load(file) as hits:
        responses, forces = hits["response"], hits["force_N"]
    band = np.array([0.97, 1.03]) * row["mode_hz"]
    sections = butter(2, band, "band", fs=25_600.0, output="sos")
    taps = []
    for response, force in zip(responses, forces, strict=True):
        mode = sosfiltfilt(sections, response)
        after = int(np.abs(np.diff(force)).argmax()) + 1280
        taps.append(measure_tap(mode[after:], 25_600.0, 2e-3 * float(np.abs(mode).max())))
    found = combine_taps(taps, least=5)
    assert not isinstance(found, str)
    assert found.natural_hz == pytest.approx(row["mode_hz"], rel=2e-4)
    assert found.damping_ratio == pytest.approx(row["damping_envelope"], rel=0.03)
    assert found.decrement_ratio == pytest.approx(row["damping_decrement"], rel=0.03)
