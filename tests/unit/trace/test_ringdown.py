from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from rungtaps import tapped

from anviltrace.trace.ringdown import RungTaps, combine_taps, find_taps, measure_tap, ring_of

RATE_HZ = 30_000.0
NOISE = 0.02


def _measured(values: np.ndarray, rate_hz: float = RATE_HZ, noise: float = NOISE) -> RungTaps | str:
    taps = find_taps(values, rate_hz, 0.0, noise)
    return combine_taps([measure_tap(values[tap], rate_hz, noise) for tap in taps])


@pytest.mark.parametrize(
    ("natural_hz", "damping"), [(600.0, 0.05), (1200.0, 0.01), (1850.0, 0.03), (2000.0, 0.1), (3500.0, 0.02)]
)
@pytest.mark.parametrize("rate_hz", [30_000.0, 15_000.0])
def test_frequency_and_damping_come_back_within_their_uncertainty(natural_hz, damping, rate_hz):
    found = _measured(tapped(natural_hz, damping, rate_hz), rate_hz)
    assert isinstance(found, RungTaps)
    assert len(found.taps) == 3
    assert found.natural_hz == pytest.approx(natural_hz, abs=4.0 * found.natural_u_hz, rel=1e-12)
    assert found.damping_ratio == pytest.approx(damping, abs=4.0 * found.damping_u, rel=1e-12)
    assert found.natural_u_hz < 0.002 * natural_hz
    assert found.damping_u < 0.02 * damping
    assert found.decrement_ratio == pytest.approx(damping, rel=0.05)


def test_the_stated_uncertainty_is_that_of_many_taps():
    """Standardised errors of single taps scatter as a standard normal does."""
    values = tapped(1850.0, 0.02, taps=40, apart_s=0.15, noise=0.05)
    taps = [measure_tap(values[tap], RATE_HZ, 0.05) for tap in find_taps(values, RATE_HZ, 0.0, 0.05)]
    assert len(taps) == 40
    off_hz = [(tap.natural_hz - 1850.0) / tap.natural_u_hz for tap in taps]
    off_ratio = [(tap.damping_ratio - 0.02) / tap.damping_u for tap in taps]
    for off in (off_hz, off_ratio):
        assert abs(np.mean(off)) < 4.0 / np.sqrt(40)
        assert 0.65 < np.std(off) < 1.4


def test_a_spread_from_tap_to_tap_is_in_the_uncertainty_of_the_mean():
    values = np.concatenate(
        [tapped(hz, 0.02, taps=1, seed=seed) for seed, hz in enumerate((1840, 1850, 1860))]
    )
    found = _measured(values)
    assert isinstance(found, RungTaps)
    assert found.natural_hz == pytest.approx(1850.0, abs=0.5)
    assert found.natural_u_hz == pytest.approx(10.0 / np.sqrt(3.0), rel=0.05)


@pytest.mark.parametrize(
    ("values", "words"),
    [
        (tapped(1850.0, 0.9, taps=1), "nothing rings|one frequency|swings stand out"),
        (
            tapped(1850.0, 0.02, taps=1)[: round(0.502 * RATE_HZ)],
            "wait longer|nothing rings|swings stand out",
        ),
        (
            tapped(1850.0, 0.02, taps=1) + 0.8 * tapped(2700.0, 0.015, taps=1, seed=1),
            "one frequency",
        ),
        (tapped(13_000.0, 0.02, taps=1, contact_s=0.05e-3), "too close to half of 30000 samples"),
    ],
)
def test_what_tells_nothing_is_refused_with_the_reason(values, words):
    (tap,) = find_taps(values, RATE_HZ, 0.0, NOISE)
    found = measure_tap(values[tap], RATE_HZ, NOISE)
    assert isinstance(found, str)
    assert any(word in found for word in words.split("|")), found


def test_a_clipped_tap_is_refused():
    values = np.clip(tapped(1850.0, 0.02, taps=1), -3.0, 3.0)
    (tap,) = find_taps(values, RATE_HZ, 0.0, NOISE)
    assert "converter's limit" in str(measure_tap(values[tap], RATE_HZ, NOISE, (-3.0, 3.0)))


def test_a_rebound_of_the_hammer_ends_the_ring_before_it():
    """Without that the second contact would be fitted as if it belonged to the first ring."""
    single = tapped(1850.0, 0.01, taps=1)
    rebound = single + 0.7 * np.roll(single, round(0.03 * RATE_HZ))
    (tap,) = find_taps(rebound, RATE_HZ, 0.0, NOISE)
    found = measure_tap(rebound[tap], RATE_HZ, NOISE)
    assert not isinstance(found, str)
    assert found.damping_ratio == pytest.approx(0.01, rel=0.02)


def test_a_quiet_record_holds_no_taps():
    assert find_taps(np.random.default_rng(4).standard_normal(30_000), RATE_HZ, 0.0, 1.0) == []


def test_too_few_taps_make_no_mean():
    found = _measured(tapped(1850.0, 0.02, taps=2))
    assert found == "2 of 2 taps can be used, 3 are needed"


@settings(max_examples=40)
@given(st.floats(200.0, 40_000.0), st.floats(0.001, 0.3))
def test_a_sampled_ring_is_folded_below_half_the_rate(natural_hz, damping):
    ring = ring_of(natural_hz, damping, RATE_HZ)
    assert 0.0 <= ring.frequency_hz <= 0.5 * RATE_HZ
    steps = np.arange(50) / RATE_HZ
    damped = natural_hz * np.sqrt(1.0 - damping**2)
    np.testing.assert_allclose(
        np.cos(2.0 * np.pi * damped * steps), np.cos(2.0 * np.pi * ring.frequency_hz * steps), atol=1e-6
    )
    assert ring.left_after(1.0 / natural_hz) == pytest.approx(np.exp(-2.0 * np.pi * damping))
