from __future__ import annotations

import dataclasses

import numpy as np
import pytest
from blow_train import Train, make
from hypothesis import given, settings
from hypothesis import strategies as st

from anviltrace.trace.blows import Blows, find_blows, joined, measure_blows


def _measured(noise_nm: float = 0.02, seed: int = 1, **made_from) -> tuple:
    random = np.random.default_rng(seed)
    made = make(Train(**made_from), random)
    rotation = made_from.get("rotation", 1)
    torque = made.torque_nm + noise_nm * random.standard_normal(made.torque_nm.size)
    found = find_blows(torque, made.rate_hz, noise_nm, rotation)
    blows = measure_blows(torque, made.rate_hz, found, noise_nm, rotation)
    assert len(blows) == made.apex_s.size
    return made, blows


def test_half_sines_without_resonance():
    made, blows = _measured(samples=40.0)
    np.testing.assert_allclose(blows.net_peak, made.net_nm, rtol=2e-3)
    np.testing.assert_allclose(blows.impulse, made.impulse_nms, rtol=2e-3)
    np.testing.assert_allclose(blows.apex_s, made.apex_s, atol=5e-6)
    np.testing.assert_allclose(blows.width_s, 1e-3 * 2.0 / 3.0, rtol=5e-3)
    rise_s = (np.arcsin(0.9) - np.arcsin(0.1)) / np.pi * 1e-3
    np.testing.assert_allclose(blows.rise_s, rise_s, rtol=0.02)
    start_s = made.apex_s - 0.5e-3 + np.arcsin(0.05) / np.pi * 1e-3
    np.testing.assert_allclose(blows.start_s, start_s, atol=1e-5)
    assert not blows.double.any()


@pytest.mark.parametrize("kind", ["through", "tightening", "loosening"])
@pytest.mark.parametrize("rotation", [1, -1])
@pytest.mark.parametrize(
    ("natural_hz", "damping"), [(0.0, 0.02), (800.0, 0.03), (1500.0, 0.05), (3400.0, 0.022)]
)
def test_impulse_is_that_of_the_shaft_whatever_the_transducer_makes_of_the_peak(
    kind, rotation, natural_hz, damping
):
    made, blows = _measured(
        kind=kind, rotation=rotation, natural_hz=natural_hz, damping=damping, samples=15.0
    )
    np.testing.assert_allclose(np.mean(blows.impulse / made.impulse_nms), 1.0, atol=2e-3)
    np.testing.assert_allclose(blows.impulse, made.impulse_nms, rtol=0.03, atol=1e-3)


@pytest.mark.parametrize("kind", ["tightening", "loosening"])
def test_levels_before_and_after_each_blow(kind):
    made, blows = _measured(kind=kind, natural_hz=3400.0, damping=0.022, samples=15.0)
    np.testing.assert_allclose(blows.level_before, made.level_before_nm, atol=0.05)
    np.testing.assert_allclose(blows.level_after, made.level_after_nm, atol=0.05)
    np.testing.assert_allclose(blows.net_peak, blows.peak - blows.level_before)


@pytest.mark.parametrize("blows_per_s", [19.4, 19.6, 19.8])
def test_the_level_before_a_blow_holds_nothing_of_the_one_before(blows_per_s):
    """Rests of 50 ms and a little more are long enough for a line up to the blow before, and no further."""
    made, blows = _measured(
        samples=39.0, width_s=1.3e-3, blows_per_s=blows_per_s, interval_scatter=0.01, natural_hz=1500.0
    )
    np.testing.assert_allclose(blows.impulse, made.impulse_nms, rtol=2e-3)


def test_impulse_with_a_level_that_drifts_between_blows():
    """100 N·m a second, 2.5 N·m from blow to blow."""
    made = make(Train(samples=25.0), np.random.default_rng(1))
    torque = made.torque_nm + 100.0 * np.arange(made.torque_nm.size) / made.rate_hz
    torque = torque + 0.1 * np.random.default_rng(2).standard_normal(torque.size)
    blows = measure_blows(torque, made.rate_hz, find_blows(torque, made.rate_hz, 0.1), 0.1)
    np.testing.assert_allclose(blows.impulse, made.impulse_nms, rtol=5e-3)


@given(st.floats(0.01, 0.6), st.floats(-300.0, 300.0))
@settings(max_examples=15, deadline=None)
def test_impulse_does_not_depend_on_what_follows_the_ring_nor_on_the_zero(kept_s, zero):
    made = make(Train(blows=1, samples=25.0, rest_s=0.7), np.random.default_rng(4))
    end = round((made.apex_s[0] + kept_s) * made.rate_hz)
    torque = made.torque_nm[:end] + zero
    blows = measure_blows(torque, made.rate_hz, find_blows(torque, made.rate_hz, 0.01), 0.01)
    np.testing.assert_allclose(blows.impulse, made.impulse_nms, rtol=3e-3)


def test_three_points_make_a_parabola_only_on_five_samples_and_more():
    _, coarse = _measured(samples=4.5, noise_nm=1e-6)
    made, fine = _measured(samples=5.5, noise_nm=1e-6)
    rate_hz = 4.5 / 1e-3
    np.testing.assert_allclose(coarse.apex_s * rate_hz, np.rint(coarse.apex_s * rate_hz), atol=1e-6)
    assert np.abs(fine.apex_s * made.rate_hz - np.rint(fine.apex_s * made.rate_hz)).max() > 0.1


def test_what_still_rings_when_the_next_blow_comes():
    natural_hz, damping = 900.0, 0.01
    _, blows = _measured(natural_hz=natural_hz, damping=damping, samples=25.0, interval_scatter=0.0)
    assert np.isnan(blows.ring_left[-1])
    usual = float(np.median(blows.ring_left[:-1]))
    assert 0.15 < usual < 0.4  # 24 % of the ring are left after 25 ms, less the way to the apex
    _, stiff = _measured(natural_hz=3400.0, damping=0.05, samples=25.0)
    assert stiff.ring_left[:-1].max() < 0.002


def test_too_few_quiet_samples_leave_what_depends_on_them_unknown():
    train = Train(blows_per_s=60.0, samples=3.0, width_s=5e-3, blows=12)
    made = make(train, np.random.default_rng(1))
    found = find_blows(made.torque_nm, made.rate_hz, 0.5)
    blows = measure_blows(made.torque_nm, made.rate_hz, found, 0.5)
    few = blows.quiet_samples < 5
    assert few.any()
    assert np.isnan(blows.level_after[few]).all()
    assert np.isnan(blows.impulse[few]).all()
    assert np.isfinite(blows.peak).all()


def test_a_double_is_marked_on_its_second_blow():
    made = make(Train(samples=25.0, blows=20), np.random.default_rng(1))
    at = round((made.apex_s[7] + 0.005) * made.rate_hz)
    torque = made.torque_nm.copy()
    torque[at : at + 25] += 150.0 * np.sin(np.pi * np.arange(25) / 25)
    blows = measure_blows(torque, made.rate_hz, find_blows(torque, made.rate_hz, 0.1), 0.1)
    assert np.flatnonzero(blows.double).tolist() == [8]


def test_pieces_are_joined_in_the_time_of_the_record():
    made = make(Train(samples=25.0, blows=20), np.random.default_rng(1))
    whole = measure_blows(made.torque_nm, made.rate_hz, find_blows(made.torque_nm, made.rate_hz, 0.1), 0.1)
    cut = round((made.apex_s[9] + 0.012) * made.rate_hz)
    parts = []
    for first, values in ((0, made.torque_nm[:cut]), (cut, made.torque_nm[cut:])):
        found = find_blows(values, made.rate_hz, 0.1)
        parts.append(measure_blows(values, made.rate_hz, found, 0.1, first_index=first))
    both = joined(parts)
    np.testing.assert_allclose(both.apex_s, whole.apex_s, atol=1e-9)
    np.testing.assert_allclose(both.impulse, whole.impulse, rtol=0.01)
    assert both.piece.tolist() == [0] * 10 + [1] * 10


def test_no_blows_give_empty_columns():
    blows = joined([])
    assert isinstance(blows, Blows)
    assert all(len(getattr(blows, field.name)) == 0 for field in dataclasses.fields(blows))
