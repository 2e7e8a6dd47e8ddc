"""Blows of real hammers: five hits, and a train composed of their shapes.

The recordings (github.com/ladisk/pyFRF, MIT) are kept outside the project, beside it. The figures for the
hits were computed by another program of ours from the same records, over a window of the pulse and two
samples on either side: a regression, not a published value. The train's truth was written down when it was
composed: 127 pulses on a level that climbs exponentially, noise 0.3, one pulse missing, one double.
"""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np
import pytest

from anviltrace.trace.blows import Blows, find_blows, measure_blows
from anviltrace.trace.level import noise_sd
from anviltrace.trace.rate import blow_rate

RATE_HZ = 25_600.0
WITHIN_S = 0.001


@pytest.fixture(scope="module")
def recordings(root: Path) -> Path:
    """The folder of recordings beside the project."""
    folder = root.parent / "shared" / "reference" / "recordings"
    if not (folder / "composite_train_25600Hz.npz").exists():
        pytest.skip("the recordings of real hammer pulses are not beside this checkout")
    return folder


def _columns(path: Path) -> dict[str, np.ndarray]:
    lines = [line for line in path.read_text(encoding="utf-8").splitlines() if not line.startswith("#")]
    rows = list(csv.DictReader(lines))
    return {name: np.array([row[name] for row in rows]) for name in rows[0]}


@pytest.fixture(scope="module")
def train(recordings) -> tuple[np.ndarray, Blows, dict[str, np.ndarray]]:
    """The samples of the train, its blows as measured, and its truth."""
    with np.load(recordings / "composite_train_25600Hz.npz") as file:
        values = file["torque_like"]
    noise = noise_sd(values[:12_000])
    blows = measure_blows(values, RATE_HZ, find_blows(values, RATE_HZ, noise), noise)
    return values, blows, _columns(recordings / "composite_train_truth.csv")


def test_all_blows_of_the_train_are_found_and_none_besides(train):
    _, blows, truth = train
    true_s = truth["time_s"].astype(float)
    apart_s = np.abs(blows.apex_s[:, np.newaxis] - true_s)
    assert (apart_s.min(axis=0) < WITHIN_S).all()
    assert np.count_nonzero(apart_s.min(axis=1) > WITHIN_S) <= 1
    assert len(blows) == 127


def test_rate_of_the_train(train):
    _, blows, truth = train
    single_s = truth["time_s"].astype(float)[truth["kind"] != "double"]
    intervals = np.diff(single_s)
    true_per_s = 1.0 / np.median(intervals[intervals < 1.5 * np.median(intervals)])
    rate = blow_rate(blows.apex_s)
    assert rate.per_s == pytest.approx(true_per_s, rel=0.002)
    assert rate.mean_per_s == pytest.approx((single_s.size - 1) / np.ptp(single_s), rel=0.002)
    assert (rate.missed, rate.doubles) == (1, 1)
    np.testing.assert_array_equal(blows.double, truth["kind"] == "double")


def test_impulses_of_the_train(train):
    _, blows, truth = train
    error = 1e3 * blows.impulse / truth["impulse_mNs"].astype(float) - 1.0
    assert 1e3 * blows.impulse.mean() == pytest.approx(truth["impulse_mNs"].astype(float).mean(), rel=0.003)
    assert np.count_nonzero(np.abs(error) < 0.02) >= 0.95 * error.size


def test_heights_of_the_train(train):
    """The truth is the largest sample; ours may lie between two, so the sample at the apex is compared."""
    values, blows, truth = train
    at_apex = values[truth["peak_index"].astype(int)] - blows.level_before
    error = at_apex / truth["pulse_height"].astype(float) - 1.0
    assert np.count_nonzero(np.abs(error) < 0.02) >= 0.95 * error.size


@pytest.mark.parametrize("hit", range(5))
def test_regression_of_five_hammer_hits(recordings, hit):
    """Records start 20 samples before the hit, so each is turned round by 1000 samples."""
    with np.load(recordings / "hammer_5hits_25600Hz.npz") as file:
        force = np.roll(file["force_N"][hit], 1000)
    reference = {
        name: float(column[hit])
        for name, column in _columns(recordings / "hammer_5hits_reference.csv").items()
    }
    noise = noise_sd(force[:900])
    blows = measure_blows(force, RATE_HZ, find_blows(force, RATE_HZ, noise), noise)
    assert len(blows) == 1
    narrow, wide = reference["impulse_mNs_trapz"], reference["impulse_mNs_wide(-20..+200)"]
    assert 1e3 * blows.impulse[0] == pytest.approx(0.5 * (narrow + wide), rel=0.01)
    assert 1e3 * blows.width_s[0] == pytest.approx(reference["fwhm_ms"], rel=0.025)
    assert blows.peak[0] == pytest.approx(reference["parabola_peak_N"], rel=1e-4)
