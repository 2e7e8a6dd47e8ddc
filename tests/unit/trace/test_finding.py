from __future__ import annotations

from itertools import islice

import numpy as np
import pytest
from blow_train import Train, make, noisy_counts
from detection_study import trains
from hypothesis import example, given, settings
from hypothesis import strategies as st

from anviltrace.trace.finding import find_blows

RATE_HZ = 30_000.0


@pytest.mark.parametrize("noise_share", [1.0, 0.1, 0.01])
@pytest.mark.parametrize("seed", range(3))
def test_every_blow_ten_times_the_noise_is_found_and_no_other(seed, noise_share):
    """Rates, widths, resonances, dampings, levels, rotations and rigs; blows below that may be found."""
    random = np.random.default_rng([seed, round(100 * noise_share)])
    for train in islice(trains(random, uneven=False), 20):
        made = make(train, random)
        visible = np.minimum(made.net_nm, made.recorded_net_nm)
        noise_nm = noise_share * visible[visible > 0.0].min() / 10.001
        counts = noisy_counts(made, noise_nm, random)
        found = find_blows(counts, made.rate_hz, 1000.0 * noise_nm, train.rotation)
        assert len(found) == np.count_nonzero(visible >= 10.0 * noise_nm), train


def _few(seed: int = 1, **made_from) -> tuple:
    train = Train(**{"blows": 12, **made_from})
    return train, make(train, np.random.default_rng(seed))


def test_places_are_those_of_the_blows():
    _, made = _few(samples=30.0)
    found = find_blows(made.torque_nm, made.rate_hz, 0.1)
    np.testing.assert_allclose(found.apex_index / made.rate_hz, made.apex_s, atol=1.0 / made.rate_hz)
    starts_s = found.start_index / made.rate_hz
    np.testing.assert_allclose(starts_s, made.apex_s - 0.5e-3, atol=2.5 / made.rate_hz)
    assert found.end_index.tolist() == [*found.start_index[1:].tolist(), made.torque_nm.size]


@pytest.mark.parametrize("kind", ["through", "tightening", "loosening"])
@pytest.mark.parametrize("offset", [-5_000_000, 0, 300_000])
def test_both_rotations_and_any_zero_give_the_same(kind, offset):
    _, made = _few(kind=kind, natural_hz=2500.0)
    counts = noisy_counts(made, 0.2, np.random.default_rng(3))
    forward = find_blows(counts + np.int32(offset), made.rate_hz, 200.0)
    backward = find_blows(-counts - np.int32(offset), made.rate_hz, 200.0, -1)
    assert len(forward) == 12
    np.testing.assert_array_equal(forward.apex_index, backward.apex_index)
    np.testing.assert_array_equal(forward.start_index, backward.start_index)


@pytest.mark.parametrize("dtype", [np.int16, np.int32, np.int64, np.float32, np.float64])
def test_any_kind_of_number(dtype):
    _, made = _few(samples=30.0)
    values = np.rint(made.torque_nm * 50.0).astype(dtype)
    assert len(find_blows(values, made.rate_hz, 10.0)) == 12
    assert len(find_blows(-values, made.rate_hz, 10.0, -1)) == 12


def test_hum_and_drift_are_no_blows():
    random = np.random.default_rng(5)
    times = np.arange(round(20 * RATE_HZ)) / RATE_HZ
    hum = 3.0 * np.sin(2.0 * np.pi * 50.0 * times)
    quiet = hum + random.standard_normal(times.size)
    assert len(find_blows(quiet + 40.0 * times, RATE_HZ, float(quiet.std()))) == 0


def test_a_slow_rise_of_torque_is_no_blow():
    """Run-down: 30 N·m within 50 ms, then a level; noise 0.1 N·m."""
    random = np.random.default_rng(6)
    ramp = np.interp(np.arange(30_000) / RATE_HZ, [0.0, 0.4, 0.45, 1.0], [0.0, 0.0, 30.0, 30.0])
    assert len(find_blows(ramp + 0.1 * random.standard_normal(ramp.size), RATE_HZ, 0.1)) == 0


def test_noise_alone_holds_no_blow():
    noise = np.rint(100.0 * np.random.default_rng(7).standard_normal(3_000_000)).astype(np.int32)
    assert len(find_blows(noise, RATE_HZ, 100.0)) == 0


def test_values_without_noise_are_no_trouble():
    _, made = _few(natural_hz=1500.0, damping=0.05)
    assert len(find_blows(made.torque_nm, made.rate_hz, 0.0)) == 12
    assert len(find_blows(np.zeros(5000), RATE_HZ, 0.0)) == 0


@pytest.mark.parametrize("delay_s", [0.004, 0.006])
def test_the_second_blow_of_a_double_is_found(delay_s):
    """A quarter of the energy, half the peak, before the ring of the first has gone."""
    _, made = _few(samples=30.0, natural_hz=2600.0, damping=0.02, blows=5)
    second = np.roll(0.5 * made.torque_nm, round(delay_s * made.rate_hz))
    noise = 0.5 * np.random.default_rng(8).standard_normal(second.size)
    assert len(find_blows(made.torque_nm + second + noise, made.rate_hz, 0.5)) == 10


@pytest.mark.parametrize("natural_hz", [1500.0, 2000.0])
def test_first_blows_that_ring_like_no_later_ones_are_no_doubles(natural_hz):
    """Blows are longer on a slack joint than on a tight one: a rig of one or two swings rings otherwise."""
    train = Train(
        kind="tightening",
        samples=39.0,
        width_s=1.3e-3,
        natural_hz=natural_hz,
        damping=0.03,
        energy_scatter=0.03,
    )
    made = make(train, np.random.default_rng(1))
    noise = 0.1 * np.random.default_rng(2).standard_normal(made.torque_nm.size)
    assert len(find_blows(made.torque_nm + noise, made.rate_hz, 0.1)) == train.blows


@pytest.mark.parametrize("doubled", [[0], [5], [5, 6], [11], [0, 2, 9]])
def test_doubles_stand_out_of_the_blows_beside_them_even_where_those_are_doubled(doubled):
    _, made = _few(samples=30.0, natural_hz=2600.0, damping=0.03)
    torque = made.torque_nm + 0.5 * np.random.default_rng(8).standard_normal(made.torque_nm.size)
    delay, half = round(0.0034 * made.rate_hz), round(0.002 * made.rate_hz)
    for apex in np.rint(made.apex_s[doubled] * made.rate_hz).astype(int):
        torque[apex + delay - half : apex + delay + half] += 0.6 * made.torque_nm[apex - half : apex + half]
    found = find_blows(torque, made.rate_hz, 0.5)
    assert len(found) == 12 + len(doubled)


def test_blows_nearer_than_3_ms_count_as_one():
    _, made = _few(samples=30.0, blows=5)
    second = np.roll(0.5 * made.torque_nm, round(0.0018 * made.rate_hz))
    assert len(find_blows(made.torque_nm + second, made.rate_hz, 0.1)) == 5


def test_a_blow_that_cancels_the_ring_is_found():
    """The worst case: a transducer at 0.8 periods to a blow keeps half its ring, and the next blow falls so
    that the two cancel."""
    width_s, natural_hz = 0.9e-3, 900.0
    interval_s = 24.4e-3
    damping = np.log(2.0) / (2.0 * np.pi * natural_hz * interval_s)
    missed = 0
    for phase in np.linspace(0.0, 1.0, 24, endpoint=False):
        rate = 1.0 / (interval_s + phase / natural_hz)
        train = Train(
            blows_per_s=rate, samples=27.0, width_s=width_s, natural_hz=natural_hz, damping=float(damping),
            interval_scatter=0.0, energy_scatter=0.0,
        )  # fmt: skip
        made = make(train, np.random.default_rng(9))
        noise = 2.0 * np.random.default_rng(10).standard_normal(made.torque_nm.size)
        missed += abs(len(find_blows(made.torque_nm + noise, made.rate_hz, 2.0)) - 40)
    assert missed == 0


@pytest.mark.parametrize("cut_s", [0.3, 0.3004, 0.3012, 0.302])
def test_a_record_may_begin_or_end_inside_a_blow(cut_s):
    _, made = _few(samples=30.0, blows=4, natural_hz=2600.0)
    cut = round(cut_s * made.rate_hz)
    assert len(find_blows(made.torque_nm[cut:], made.rate_hz, 0.1)) in (3, 4)
    end = made.torque_nm.size - cut
    assert len(find_blows(made.torque_nm[:end], made.rate_hz, 0.1)) in (3, 4)


@given(st.integers(0, 200), st.sampled_from([100.0, 1000.0, 7500.0, 30_000.0]))
@example(105, 1000.0)  # two rises that share their largest value
@example(132, 1000.0)  # the last apex is the last sample
@settings(max_examples=60, deadline=None)
def test_short_pieces_give_no_trouble(length, rate_hz):
    values = np.random.default_rng(length).standard_normal(length) * 100.0
    found = find_blows(values, rate_hz, 1.0)
    assert np.all(found.start_index <= found.apex_index)
    assert np.all(found.apex_index < found.end_index)
    assert np.all(found.end_index <= length)


@pytest.mark.parametrize(
    ("rate_hz", "noise"), [(0.0, 1.0), (float("nan"), 1.0), (1000.0, -1.0), (1e3, float("nan"))]
)
def test_what_cannot_be_is_refused(rate_hz, noise):
    with pytest.raises(ValueError, match="no blows can be sought"):
        find_blows(np.zeros(10), rate_hz, noise)
