"""When a reading is steady, and how little a swinging weight does to it."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from anviltrace.calibration.stability import Gate, Known, look_at, why_unsteady

RATE_HZ = 1000.0
GATE = Gate()


def window(level: float = 200_000.0, drift: float = 0.0, ripple: float = 0.0, hz: float = 1.8,
           noise: float = 50.0, phase: float = 0.0, window_s: float = 2.0) -> np.ndarray:  # fmt: skip
    """A window of counts: a level with a drift over it, a ripple and noise."""
    seconds = np.arange(round(window_s * RATE_HZ)) / RATE_HZ
    signal = level + drift * (seconds / window_s - 0.5)
    signal = signal + ripple * np.cos(2.0 * np.pi * hz * seconds + phase)
    return np.rint(signal + noise * np.random.default_rng(7).standard_normal(seconds.size)).astype(np.int32)


def test_level_drift_and_noise_are_found() -> None:
    seen = look_at(window(level=123_456.0, drift=900.0))
    assert seen.mean_counts == pytest.approx(123_456.0, abs=4.0)
    assert seen.drift_counts == pytest.approx(900.0, abs=20.0)
    assert seen.sd_counts == pytest.approx(50.0, rel=0.05)
    assert seen.samples == 2000


def test_uncertainty_of_the_drift() -> None:
    """The drift of pure noise scatters as stated, over 400 windows."""
    random = np.random.default_rng(1)
    noise = np.rint(1000.0 * random.standard_normal((400, 500))).astype(np.int32)
    seen = [look_at(counts) for counts in noise]
    found = np.std([one.drift_counts for one in seen])
    assert found == pytest.approx(np.mean([one.drift_u_counts for one in seen]), rel=0.12)


@given(hz=st.floats(1.4, 6.0), phase=st.floats(0.0, 6.3))
def test_a_swing_averages_out_whatever_its_period(hz: float, phase: float) -> None:
    """A ripple of 0.07 % (a swing of 1.5°) moves the mean by less than 0.003 % of the load."""
    load = 200_000.0
    seen = look_at(window(load, ripple=7e-4 * load, hz=hz, noise=0.0, phase=phase))
    assert abs(seen.mean_counts / load - 1.0) < 3e-5


def test_a_plain_mean_would_not_do() -> None:
    counts = window(ripple=140.0, hz=1.4, noise=0.0)
    assert abs(counts.mean() - 200_000.0) > 3.0 * abs(look_at(counts).mean_counts - 200_000.0)


KNOWN = Known(zero_counts=0.0, noise_counts=50.0, span_counts=200_000.0)


@pytest.mark.parametrize(("made", "known", "words"), [
    ({}, KNOWN, ""),
    ({"drift": 30.0}, KNOWN, ""),
    ({"drift": 80.0}, KNOWN, "drifts by \\+"),
    ({"ripple": 100.0}, KNOWN, ""),
    ({"ripple": 300.0}, KNOWN, "moves by"),
    ({"ripple": 300.0}, Known(), ""),
    ({"level": 40.0, "drift": 20.0, "noise": 0.3}, Known(), "drifts by"),
    ({"level": 0.0, "noise": 0.0}, Known(), ""),
])  # fmt: skip
def test_what_is_steady(made: dict[str, float], known: Known, words: str) -> None:
    reason = why_unsteady(look_at(window(**made)), known, GATE)
    assert (reason == "") == (words == "")
    assert words.replace("\\", "") in reason


def test_the_shortest_window() -> None:
    assert GATE.samples(1.0) == 8
    assert look_at(np.arange(8, dtype=np.int32)).drift_counts == pytest.approx(8.0)
