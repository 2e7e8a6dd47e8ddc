"""Noise-free bits of published noise figures."""

from __future__ import annotations

import published
import pytest

from anviltrace.proof.limits import SPAN_MV_PER_V
from anviltrace.proof.still import EXPECTED_BITS
from anviltrace.trace.noise import noise_free_bits


@pytest.mark.parametrize("row", published.rows("noise_free_bits.csv"))
def test_bits_of_the_noise_that_a_data_sheet_states(row):
    assert noise_free_bits(1e6 * row["span_mv"], row["noise_nv"]) == pytest.approx(row["bits"], abs=0.05)


@pytest.mark.parametrize(("rate_hz", "noise_nv"), [(10.0, 50.0), (80.0, 90.0)])
def test_what_an_hx711_is_expected_to_have(rate_hz: float, noise_nv: float) -> None:
    """The same figures, from memory of the data sheet, over ±2 mV/V at 5 V."""
    bits = noise_free_bits(2.0 * SPAN_MV_PER_V * 5.0 * 1e6, noise_nv)
    assert EXPECTED_BITS["hx711", rate_hz] == pytest.approx(bits, abs=0.05)
