from __future__ import annotations

import dataclasses
import itertools

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from anviltrace.virtual.rig import Gauge, Hysteresis, Resonator, Transducer

PLAIN = Transducer(rated_nm=500.0, sensitivity_mv_per_v_per_nm=0.004, natural_hz=3000.0, damping=0.02)


def _gauge(seed=1, **changes):
    return Gauge(dataclasses.replace(PLAIN, **changes), np.random.default_rng(seed))


def _still(gauge, torque, start_s=0.0, step_s=0.001):
    return gauge.signal(np.asarray(torque, dtype=float), start_s, step_s, 1)


def _walk(*stations, steps=200):
    legs = [np.linspace(a, b, steps) for a, b in itertools.pairwise(stations)]
    return np.concatenate(legs)


def test_output_is_sensitivity_times_torque_when_nothing_else_is_wrong():
    np.testing.assert_allclose(_still(_gauge(), [0.0, 100.0, -250.0]), [0.0, 0.4, -1.0])


def test_shape_bends_by_the_stated_shares_at_rated_torque():
    bent = _still(_gauge(quadratic=0.002, cubic=-0.001), [500.0, -500.0])
    np.testing.assert_allclose(bent, [2.0 * 1.001, -2.0 * 0.997])


def test_settled_resonator_stays_where_it_is():
    shaft = Resonator(3000.0, 0.02, 1.0 / 240_000.0)
    shaft.settle(123.0)
    np.testing.assert_allclose(shaft.respond(np.full(1000, 123.0)), 123.0, rtol=1e-9)


def test_ring_is_over_after_the_settling_time():
    step_s = 1.0 / 240_000.0
    shaft = Resonator(3000.0, 0.02, step_s)
    shaft.settle(400.0)
    ring = shaft.respond(np.zeros(round(shaft.settle_s / step_s) + 10))
    assert np.abs(ring[-10:]).max() < 400.0 * 2e-12
    assert np.abs(ring[: ring.size // 2]).max() > 1.0


@given(st.lists(st.floats(-800.0, 800.0), min_size=1, max_size=300), st.integers(1, 299))
@settings(max_examples=60)
def test_hysteresis_does_not_depend_on_chopping(torques, cut):
    torque = np.array(torques)
    cut = min(cut, torque.size)
    whole, parts = Hysteresis(0.001, 500.0), Hysteresis(0.001, 500.0)
    pieces = [parts.follow(piece) for piece in (torque[:cut], torque[cut:]) if piece.size]
    np.testing.assert_allclose(np.concatenate(pieces), whole.follow(torque), atol=1e-12)


def test_hysteresis_opens_by_the_stated_share_half_way():
    follower = Hysteresis(0.001, 500.0)
    follower.follow(_walk(0.0, 500.0, 0.0))
    up, down = follower.follow(_walk(0.0, 500.0)), follower.follow(_walk(500.0, 0.0))
    assert down[100] - up[100] == pytest.approx(0.5, rel=0.03)


def test_hysteresis_remembers_where_it_turned():
    """Return-point memory: a small loop closes and leaves the large branch as if it had not been."""
    straight, detour = Hysteresis(0.001, 500.0), Hysteresis(0.001, 500.0)
    expected = straight.follow(_walk(0.0, 300.0, 450.0))[-1]
    loop = detour.follow(_walk(0.0, 300.0, 180.0, 300.0, 450.0))
    assert loop[-1] == pytest.approx(expected, abs=1e-12)
    assert loop[599] == pytest.approx(loop[199], abs=1e-12)


def test_creep_arrives_with_its_time_constant():
    gauge = _gauge(creep=0.001, creep_s=20.0)
    seconds = _still(gauge, np.full(2001, 500.0), step_s=0.01)
    assert seconds[0] == pytest.approx(2.0, rel=1e-5)
    assert seconds[-1] == pytest.approx(2.0 * (1.0 + 0.001 * (1.0 - np.exp(-1.0))), rel=1e-5)


def test_zero_and_sensitivity_drift_while_warming_up():
    gauge = _gauge(
        warm_up_k=10.0,
        warm_up_s=100.0,
        zero_mv_per_v=0.02,
        zero_drift_mv_per_v_per_k=1e-3,
        span_drift_per_k=-1e-3,
    )
    cold, warm = _still(gauge, [0.0]), _still(gauge, [0.0, 500.0], start_s=1e5)
    assert cold[0] == pytest.approx(0.02)
    assert warm[0] == pytest.approx(0.02 + 0.01)
    assert warm[1] == pytest.approx(0.02 + 0.01 + 2.0 * (1.0 - 0.01))


def test_blows_heat_and_rest_cools():
    gauge = _gauge(heating_k_per_j=0.01, cooling_s=10.0, zero_drift_mv_per_v_per_k=1.0)
    gauge.heat(100.0, at_s=1.0)
    zeros = _still(gauge, np.zeros(2001), start_s=0.0, step_s=0.01)
    assert zeros[99] == 0.0
    assert zeros[100] == pytest.approx(1.0)
    assert zeros[1100] == pytest.approx(np.exp(-1.0), rel=1e-6)
    later = _still(gauge, np.zeros(1), start_s=20.01, step_s=0.01)
    assert later[0] == pytest.approx(np.exp(-1.901), rel=1e-6)


def test_side_force_adds_to_the_zero():
    gauge = _gauge(side_mv_per_v_per_n=1e-5)
    gauge.side_force_n = 200.0
    assert _still(gauge, [0.0])[0] == pytest.approx(2e-3)


def test_every_mounting_is_a_little_different():
    gauge = _gauge(remount_span=0.001, remount_zero_mv_per_v=0.01)
    readings = []
    for _ in range(400):
        gauge.remount()
        readings.append(_still(gauge, [0.0, 500.0]))
    zero, span = np.array(readings)[:, 0], np.diff(readings)[:, 0]
    assert zero.std() == pytest.approx(0.01, rel=0.15)
    assert span.std() / 2.0 == pytest.approx(0.001, rel=0.15)
    assert span.mean() == pytest.approx(2.0, rel=3e-4)


def test_stride_follows_the_memory_more_coarsely():
    torque = _walk(0.0, 400.0, 100.0, steps=800)
    fine = _gauge(hysteresis=0.001).signal(torque, 0.0, 1e-4, 1)
    coarse = _gauge(hysteresis=0.001).signal(torque, 0.0, 1e-4, 8)
    steepest = 3 * 0.001 / 0.82  # N·m of deviation per N·m while all three plays stand still
    behind_nm = 7 * np.abs(np.diff(torque)).max()
    np.testing.assert_allclose(coarse, fine, atol=0.004 * behind_nm * steepest)
