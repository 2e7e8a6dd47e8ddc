"""CFC filters against coefficients, a check vector and other implementations of the same standard."""

from __future__ import annotations

import math

import numpy as np
import published
import pytest
from scipy.signal import butter, filtfilt, freqz

from anviltrace.trace.filters import FILTERS, SAE_FACTOR, coefficients, cutoff_hz, filtered, peak_kept

CLASSES = (60, 180, 600, 1000)


def _name(cfc: float, iso: float) -> str:
    return f"CFC{cfc:g}{'-ISO' if iso else ''}"


@pytest.mark.parametrize("row", published.rows("cfc_coefficients.csv"))
def test_coefficients_and_cut_off(row):
    """fixtures/published/cfc_coefficients.csv to its last digits; scipy's Butterworth is the same."""
    chosen = FILTERS[_name(row["cfc"], row["iso"])]
    top, bottom = coefficients(chosen, row["rate_hz"])
    np.testing.assert_allclose(top, [row["a0"], row["a1"], row["a2"]], rtol=1e-11)
    np.testing.assert_allclose(bottom, [1.0, -row["b1"], -row["b2"]], rtol=1e-11)
    np.testing.assert_allclose(
        [top, bottom], butter(2, chosen.cfc * chosen.factor, fs=row["rate_hz"]), atol=1e-14
    )
    assert cutoff_hz(chosen, row["rate_hz"]) == pytest.approx(row["minus_3_db_hz"], rel=2e-7)
    _, response = freqz(top, bottom, [row["minus_3_db_hz"]], fs=row["rate_hz"])
    assert abs(response[0]) ** 2 == pytest.approx(math.sqrt(0.5), rel=1e-6)


def test_nominal_cut_off_is_five_thirds_of_the_class():
    """weisang.com, CFC pages: 100, 300, 1000 and (rounded) 1650 Hz, at rates far above."""
    found = [cutoff_hz(FILTERS[f"CFC{cfc}"], 1e6) for cfc in CLASSES]
    assert found == pytest.approx([100.0, 300.0, 1000.0, 1666.7], rel=1e-4)
    assert pytest.approx(5.0 / 3.0 / (math.sqrt(2.0) - 1.0) ** 0.25, rel=1e-4) == SAE_FACTOR


@pytest.mark.parametrize("cfc", CLASSES)
@pytest.mark.parametrize("iso", [0, 1])
def test_check_vector(cfc, iso):
    """fixtures/published/cfc_check_vector.csv: zero initial state and 40 ms of quiet on either side."""
    times = np.arange(801) / 10_000.0
    inside = (times > 0.04) & (times < 0.042)
    pulse = np.where(inside, 100.0 * np.sin(np.pi * (times - 0.04) / 0.002), 0.0)
    out = filtered(pulse, 10_000.0, FILTERS[_name(cfc, iso)])
    rows = published.rows("cfc_check_vector.csv")
    place = [round(row["time_s"] * 10_000.0) for row in rows]
    column = f"{'iso' if iso else 'sae'}{cfc}"
    np.testing.assert_allclose(out[place], [row[column] for row in rows], atol=1e-7)


@pytest.mark.parametrize("cfc", CLASSES)
def test_four_ways_agree_between_quiet_ends(cfc):
    """Ours, scipy.signal.filtfilt with and without its padding, and the recursion as it is written down."""
    chosen, rate_hz = FILTERS[f"CFC{cfc}"], 10_000.0
    values = np.zeros(2001)
    values[1000:1008] = 100.0 * np.sin(np.pi * np.arange(8) / 8.0)
    top, bottom = coefficients(chosen, rate_hz)
    ours = filtered(values, rate_hz, chosen)
    np.testing.assert_allclose(ours, filtfilt(top, bottom, values), atol=1e-7)
    np.testing.assert_allclose(ours, filtfilt(top, bottom, values, padtype=None), atol=1e-7)
    np.testing.assert_allclose(ours, _by_the_book(values, top, bottom), atol=1e-7)


def _by_the_book(values: np.ndarray, top: np.ndarray, bottom: np.ndarray) -> np.ndarray:
    """Forward then backward, y[n] = a0·x[n] + a1·x[n−1] + a2·x[n−2] + b1·y[n−1] + b2·y[n−2], from rest."""
    for _ in range(2):
        out = np.zeros(values.size)
        for n in range(2, values.size):
            out[n] = top @ values[n - 2 : n + 1][::-1] - bottom[1] * out[n - 1] - bottom[2] * out[n - 2]
        values = out[::-1]
    return values


def test_without_a_lead_in_the_continued_record_decides():
    """20 + 400 a second with a pulse of 0.8 ms from the first sample on, CFC600 at 10 kHz.

    By the rules of other programs, computed independently, the first value is 32.8 (start from nothing),
    66.1 (the first two samples copied), 20.0 (the record turned about its first value, as here).
    """
    times = np.arange(400) / 10_000.0
    pulse = np.where(times < 0.8e-3, 100.0 * np.sin(np.pi * times / 0.8e-3), 0.0)
    out = filtered(20.0 + 400.0 * times + pulse, 10_000.0, FILTERS["CFC600"])
    np.testing.assert_allclose(out[:4], [20.0, 56.257, 86.687, 106.415], atol=6e-4)
    assert out.max() == pytest.approx(112.453, abs=6e-4)


@pytest.mark.parametrize("row", published.rows("half_sine_filter_loss.csv"))
def test_what_a_half_sine_keeps(row):
    """fixtures/published/half_sine_filter_loss.csv: by formula, and by filtering a pulse; the area stays."""
    base_s, rate_hz = 1e-3 * row["width_ms"], 200_000.0
    times = np.arange(-0.15, 0.15, 1.0 / rate_hz)
    pulse = np.where(np.abs(times) < 0.5 * base_s, np.cos(np.pi * times / base_s), 0.0)
    for cfc in CLASSES:
        chosen = FILTERS[f"CFC{cfc}"]
        assert float(peak_kept(chosen, rate_hz, base_s)) == pytest.approx(row[f"cfc{cfc}_peak"], rel=1e-3)
        out = filtered(pulse, rate_hz, chosen)
        assert out.max() == pytest.approx(row[f"cfc{cfc}_peak"], rel=1e-3)
        assert out.sum() == pytest.approx(pulse.sum(), rel=1e-9)
        wide = np.count_nonzero(out > 0.5 * out.max()) / np.count_nonzero(pulse > 0.5)
        assert wide == pytest.approx(row[f"cfc{cfc}_fwhm_ratio"], rel=0.02)
