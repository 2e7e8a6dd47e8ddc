"""Frequency weighting of ISO 5349-1 against its published table; exposure against published anchors."""

from __future__ import annotations

import numpy as np
import published
import pytest
from scipy import signal

from anviltrace.trace import vibration
from anviltrace.trace.vibration import LEAST_RATE_HZ, weighted, weighting


def last_digit(factor: float) -> float:
    """One unit in the last of three significant digits."""
    return 10.0 ** (np.floor(np.log10(factor)) - 2)


def gain(frequency_hz: float, rate_hz: float) -> float:
    """What the weighting makes of a sine, amplitude over amplitude, by least squares in its middle."""
    seconds = 2.0
    times = np.arange(round(seconds * rate_hz)) / rate_hz
    wave = np.sin(2.0 * np.pi * frequency_hz * times + 0.3)
    middle = slice(len(times) // 3, 2 * len(times) // 3)
    table = np.column_stack(
        [np.cos(2.0 * np.pi * frequency_hz * times), np.sin(2.0 * np.pi * frequency_hz * times)]
    )[middle]
    solution, *_ = np.linalg.lstsq(table, weighted(wave, rate_hz)[middle], rcond=None)
    return float(np.hypot(*solution))


@pytest.mark.parametrize("rate_hz", [LEAST_RATE_HZ, 3200.0 * 1.0083, 10_000.0, 48_000.0])
@pytest.mark.parametrize(
    "row", published.rows("wh_third_octave.csv"), ids=lambda row: f"{row['nominal_hz']:g}"
)
def test_a_sine_in_each_band_comes_out_with_the_factor_of_the_table(row, rate_hz: float):
    """ISO 5349-1, table of Wh (fixtures/published/wh_third_octave.csv), to its last digit.

    3200 a second is the rate of the accelerometer of the boards, as one of them really runs. Up to the
    1250 Hz band nothing is bent, as the bilinear transform would at so low a rate.
    """
    exact_hz = 10.0 ** (row["band"] / 10.0)
    assert abs(gain(exact_hz, rate_hz) - row["factor"]) < 0.51 * last_digit(row["factor"])


def test_the_response_is_that_of_the_exact_parameters_far_beyond_the_band():
    """fixtures/published/wh_response.csv: 1 Hz to 25 kHz, magnitude and phase."""
    rows = published.rows("wh_response.csv")
    response = weighting(np.array([10.0 ** (round(10 * np.log10(row["exact_hz"])) / 10) for row in rows]))
    assert np.abs(response) == pytest.approx([row["factor"] for row in rows], rel=1e-4)
    phase = np.degrees(np.unwrap(np.angle(response)))
    assert phase - phase[10] == pytest.approx(
        np.array([row["phase_deg"] - rows[10]["phase_deg"] for row in rows]), abs=0.01
    )


@pytest.mark.parametrize("rate_hz", [LEAST_RATE_HZ, 48_000.0])
def test_the_magnitude_holds_up_to_nearly_half_the_sampling_rate(rate_hz: float):
    for row in published.rows("wh_response.csv"):
        if 4.0 <= row["exact_hz"] < 0.48 * rate_hz:
            assert gain(row["exact_hz"], rate_hz) == pytest.approx(row["factor"], rel=0.01), row


def test_a_recursive_filter_by_the_bilinear_transform_agrees_at_a_high_rate():
    """Another way to the same weighting (scipy.signal): r.m.s. of noise within 0.1 % at 200 kS/s."""
    rate_hz = 200_000.0
    low, high = 2.0 * np.pi * vibration.LOW_HZ, 2.0 * np.pi * vibration.HIGH_HZ
    turn = 2.0 * np.pi * vibration.TRANSITION_HZ
    zeros = np.array([0.0, 0.0, -turn])
    poles = np.concatenate(
        [np.roots([1.0, w / q, w**2]) for w, q in ((low, 2**-0.5), (high, 2**-0.5), (turn, 0.64))]
    )
    factor = high**2 * turn
    digital = signal.bilinear_zpk(zeros, poles, factor, rate_hz)
    sections = signal.zpk2sos(*digital)
    noise = np.random.default_rng(3).standard_normal(400_000)
    noise -= noise.mean()
    part = slice(200_000, None)
    ours, theirs = weighted(noise, rate_hz)[part], signal.sosfilt(sections, noise)[part]
    assert np.std(ours) == pytest.approx(np.std(theirs), rel=1e-3)
    assert np.std(ours - theirs) < 0.01 * np.std(theirs)


@pytest.mark.parametrize("row", published.rows("hav_exposure_points.csv"))
def test_exposure_points_and_daily_exposure(row):
    """fixtures/published/hav_exposure_points.csv, with the anchors HSE states."""
    seconds = row["minutes"] * 60.0
    tolerance = 1e-9 if row["stated"] else 1e-4
    assert vibration.exposure_points(row["a_hv"], seconds) == pytest.approx(row["points"], rel=tolerance)
    assert vibration.daily_exposure([(row["a_hv"], seconds)]) == pytest.approx(row["a8"], rel=2e-4)
    halves = [(row["a_hv"], 0.5 * seconds), (row["a_hv"], 0.5 * seconds)]
    assert vibration.daily_exposure(halves) == pytest.approx(row["a8"], rel=2e-4)


@pytest.mark.parametrize("row", published.rows("hav_times.csv"))
def test_time_to_the_action_and_limit_value(row):
    """Directive 2002/44/EC, article 3; fixtures/published/hav_times.csv."""
    assert vibration.time_to(2.5, row["a_hv"]) / 60.0 == pytest.approx(row["action_min"], abs=0.051)
    assert vibration.time_to(5.0, row["a_hv"]) / 60.0 == pytest.approx(row["limit_min"], abs=0.051)
