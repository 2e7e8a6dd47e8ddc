from __future__ import annotations

import threading

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from anviltrace.records import Rotation
from anviltrace.virtual.bench import Bench
from anviltrace.virtual.scenario import load

STIFF = {"natural_hz": 9000.0, "damping": 0.7}
"""A transducer that follows a blow almost exactly."""


def _loud_run(pieces: list[int]) -> np.ndarray:
    """The held scenario, all its imperfections on, fetched in pieces: tighten, then loosen."""
    bench = Bench(load("fishplate-held"), seed=7)
    values, at_s, turn = [], 1.0, 0

    def fetch(seconds: float) -> None:
        nonlocal at_s, turn
        left = round(seconds * bench.front_rate_hz)
        while left > 0:
            count = min(left, pieces[turn % len(pieces)])
            values.append(bench.render(count, at_s))
            at_s += count / bench.front_rate_hz
            left, turn = left - count, turn + 1

    fetch(0.1)
    bench.operator.seat("Ostrelby", "fresh pack")
    fetch(0.1)
    for rotation in Rotation:
        bench.operator.drive(rotation)
        fetch(0.8)
        bench.operator.release()
        fetch(0.2)
    return np.concatenate(values)


@pytest.fixture(scope="module")
def unbroken():
    return _loud_run([10**6])


@given(st.lists(st.integers(1, 4000), min_size=1, max_size=12).filter(lambda pieces: sum(pieces) > 400))
@settings(max_examples=6, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_values_do_not_depend_on_how_they_are_fetched(unbroken, pieces):
    difference = np.abs(_loud_run(pieces).astype(np.int64) - unbroken)
    assert difference.max() <= 1  # a rounding that falls the other way
    assert np.count_nonzero(difference) < unbroken.size / 1000


def test_the_same_seed_gives_the_same_values_and_none_gives_fresh_ones():
    def run(seed):
        return Bench(load("fishplate-held"), seed).render(3000, 1.0)

    np.testing.assert_array_equal(run(3), run(3))
    assert np.any(run(3) != run(4))
    assert np.any(run(None) != run(None))


def test_a_bench_at_rest_shows_its_zero_and_noise(hands):
    bench = hands(converter={"noise_nv": 1000.0}, transducer={"zero_mv_per_v": 0.01, "noise_mv_per_v": 2e-4})
    values = bench.counts(2.0)
    assert values.dtype == np.int32
    assert values.mean() == pytest.approx(0.01 * 5e7, abs=200)
    assert values.std() == pytest.approx(np.hypot(1e4, 2e-4 * 5e7), rel=0.02)


def test_hum_passes_the_filter(hands):
    values = hands(transducer={"hum_mv_per_v": 0.001, "hum_hz": 50.0}).counts(1.0)
    assert values.max() == pytest.approx(0.001 * 5e7, rel=0.001)
    assert np.count_nonzero(np.diff((values > 0).astype(int)) == 1) == pytest.approx(50, abs=1)


def test_a_held_rig_climbs_and_keeps_its_torque(hands):
    bench = hands()
    bench.operator.seat("plain", "mains")
    bench.operator.drive(Rotation.CW)
    bench.counts(8.0)
    bench.operator.release()
    bench.counts(0.5)
    blows = bench.truth.blow_columns()
    assert np.all(np.diff(blows["retained_after_nm"]) >= 0.0)
    assert blows["retained_after_nm"][-1] == pytest.approx(400.0 / 1.5, rel=0.01)
    assert bench.torque_nm(0.1).mean() == pytest.approx(blows["retained_after_nm"][-1], rel=1e-6)


def test_between_blows_a_held_rig_shows_what_the_joint_retains(hands):
    bench = hands(transducer={"damping": 0.2})
    bench.operator.seat("plain", "mains")
    bench.operator.drive(Rotation.CW)
    torque = bench.torque_nm(2.0)
    blows = bench.truth.blow_columns()
    before = np.floor(blows["front_index"]).astype(int) - 10
    np.testing.assert_allclose(torque[before], blows["retained_before_nm"], atol=1e-3)


@pytest.mark.parametrize("kind", ["held", "through", "fixed"])
def test_a_stiff_transducer_shows_the_true_peaks(hands, kind):
    bench = hands(joint={"kind": kind}, transducer=STIFF)
    bench.operator.seat("plain", "mains")
    bench.operator.drive(Rotation.CW)
    torque = bench.torque_nm(2.0)
    for blow in bench.truth.blows[:-1]:
        begin = int(blow.front_index)
        assert torque[begin : begin + 100].max() == pytest.approx(blow.peak_nm, rel=0.01)


@pytest.mark.parametrize(
    ("kind", "rotation", "retained_nm"),
    [
        ("held", "cw", 0.0), ("held", "cw", 150.0), ("held", "ccw", 150.0),
        ("through", "cw", 150.0), ("through", "ccw", 150.0), ("fixed", "cw", 0.0), ("fixed", "ccw", 0.0),
    ],
)  # fmt: skip
def test_the_impulse_is_kept_over_the_whole_ring(hands, kind, rotation, retained_nm):
    """A lightly damped transducer reads another peak, but the area over the level stays."""
    bench = hands(
        joint={"kind": kind, "retained_nm": retained_nm},
        transducer={"natural_hz": 900.0, "damping": 0.03},
        tools={"slow": {"blow_energy_j": 10.0, "hammer_inertia_kgm2": 1e-3, "blows_per_s": 4.0,
                        "nominal_v": 18.0, "current_a": 30.0}},
    )  # fmt: skip
    bench.counts(0.1)
    bench.operator.seat("slow", "mains")
    bench.operator.drive(Rotation(rotation))
    torque = bench.torque_nm(0.44)
    blow = bench.truth.blows[0]
    shaft_delay_s = 2.0 * 0.03 / (2.0 * np.pi * 900.0)
    apex = blow.front_index - 3000 + 2.5 + 30_000 * (0.5 * blow.width_s + shaft_delay_s) + 0.5
    impulse = (torque.sum() - torque[0] * apex - torque[-1] * (torque.size - apex)) / 30_000.0
    level_unsure = 0.5 / 240_000.0 * abs(torque[-1] - torque[0])  # the apex falls between two inner samples
    assert impulse == pytest.approx(blow.impulse_nms, abs=2e-5 + level_unsure)
    assert abs(np.abs(torque).max() - abs(blow.peak_nm)) > 20.0


def test_through_and_fixed_rigs_come_back_to_zero(hands):
    for kind in ("through", "fixed"):
        bench = hands(joint={"kind": kind}, transducer={"damping": 0.3})
        bench.operator.seat("plain", "mains")
        bench.operator.drive(Rotation.CW)
        torque = bench.torque_nm(3.0)
        starts = np.floor(bench.truth.blow_columns()["front_index"]).astype(int)
        assert np.abs(torque[starts - 20]).max() < 1e-3


def test_loosening_starts_positive_strikes_negative_and_ends_at_zero(hands):
    bench = hands(joint={"retained_nm": 200.0})
    bench.operator.seat("plain", "mains")
    assert bench.torque_nm(0.2).mean() == pytest.approx(200.0, rel=1e-6)
    bench.operator.drive(Rotation.CCW)
    torque = bench.torque_nm(10.0)
    blows = bench.truth.blow_columns()
    assert blows["peak_nm"][0] < blows["retained_before_nm"][0]
    assert blows["peak_nm"][-1] < -200.0
    assert np.all(np.diff(blows["retained_after_nm"]) <= 0.0)
    assert blows["retained_after_nm"][-1] == 0.0
    assert np.abs(torque[-3000:]).max() < 1e-3
    assert [event.kind for event in bench.truth.events] == ["seat", "drive", "spins free"]


def test_a_joint_tighter_than_the_tool_stays_as_it_is(hands):
    bench = hands(joint={"retained_nm": 450.0})
    bench.operator.seat("plain", "mains")
    bench.operator.drive(Rotation.CCW)
    np.testing.assert_allclose(bench.torque_nm(1.0), 450.0, atol=1e-3)
    assert len(bench.truth.blows) > 20


def test_a_slack_joint_runs_down_before_the_blows(hands):
    bench = hands(joint={"run_down_s": 0.5, "run_down_nm": 2.0})
    bench.operator.seat("plain", "mains")
    bench.operator.drive(Rotation.CW)
    torque = bench.torque_nm(1.0)
    assert bench.truth.blows[0].start_s == pytest.approx(1.7, abs=1e-3)
    np.testing.assert_allclose(torque[3000:20_000], 2.0, atol=1e-6)


def test_a_tiring_pack_weakens_the_blows(hands):
    bench = hands(joint={"kind": "fixed"})
    bench.operator.seat("plain", "pack")
    bench.operator.drive(Rotation.CW)
    bench.counts(20.0)
    blows = bench.truth.blow_columns()
    assert np.all(np.diff(blows["supply_v"]) < 0.0)
    assert blows["energy_j"] == pytest.approx(10.0 * (blows["supply_v"] / 18.0) ** 2)
    assert blows["peak_nm"][-1] < 0.95 * blows["peak_nm"][0]


def test_a_blow_shows_at_its_index_later_by_the_group_delay(hands):
    bench = hands(joint={"kind": "fixed"}, transducer=STIFF)
    bench.operator.seat("plain", "mains")
    bench.operator.drive(Rotation.CW)
    torque = bench.torque_nm(1.0)
    for blow in bench.truth.blows[:-1]:
        begin = int(blow.front_index)
        piece = torque[begin - 5 : begin + 100]
        centre = np.sum(piece * np.arange(piece.size)) / piece.sum() + begin - 5
        shaft_delay = 2 * 0.7 / (2 * np.pi * 9000.0) * 30_000
        apex = blow.front_index + 0.5 * blow.width_s * 30_000
        assert centre == pytest.approx(apex + 2.5 + shaft_delay, abs=0.25)


def test_the_world_goes_on_while_nobody_looks(hands):
    bench = hands()
    bench.operator.seat("plain", "mains")
    bench.operator.drive(Rotation.CW)
    bench.counts(1.0)
    seen = len(bench.truth.blows)
    bench.at_s += 2.0
    bench.counts(1.0)
    blows = bench.truth.blow_columns()
    assert np.count_nonzero((blows["start_s"] > 2.0) & (blows["start_s"] < 4.0)) == pytest.approx(80, abs=1)
    np.testing.assert_allclose(np.diff(blows["start_s"]), 0.025, atol=1e-9)
    assert np.all(np.diff(blows["front_index"]) >= 0.0)
    assert blows["front_index"][seen:][0] == pytest.approx(30_000, abs=1)


def test_actions_take_effect_at_the_next_value(hands):
    bench = hands()
    bench.counts(0.5)
    bench.operator.seat("plain", "mains")
    bench.operator.drive(Rotation.CW)
    bench.counts(0.1)
    assert [(event.kind, event.front_index) for event in bench.truth.events] == [
        ("seat", 15_000),
        ("drive", 15_000),
    ]
    assert bench.truth.events[-1].time_s == pytest.approx(1.5, abs=1e-4)


def test_actions_at_an_idle_board_are_as_old_as_on_the_wall(hands, mocker):
    wall = mocker.patch("anviltrace.virtual.bench.time.monotonic", return_value=100.0)
    bench = hands()
    bench.operator.seat("plain", "mains")
    bench.counts(0.5)
    bench.operator.drive(Rotation.CW)
    wall.return_value += 3.0
    bench.at_s += 30.0
    bench.counts(0.1)
    drive = bench.truth.events[-1]
    assert drive.time_s == pytest.approx(31.5 - 3.0, abs=1e-3)
    assert drive.front_index == 15_000
    assert bench.truth.blows[0].start_s == pytest.approx(drive.time_s + 0.2, abs=1e-3)


def test_creep_and_warming_go_on_while_nobody_looks(hands):
    changes = {
        "creep": 0.001,
        "creep_s": 20.0,
        "warm_up_k": 5.0,
        "warm_up_s": 60.0,
        "zero_drift_mv_per_v_per_k": 1e-3,
    }
    watched, left_alone = hands(transducer=changes), hands(transducer=changes)
    for bench in (watched, left_alone):
        bench.operator.hang("plate", "long")
        bench.counts(1.0)
    watched.counts(59.0)
    left_alone.at_s += 59.0
    assert left_alone.counts(0.1)[0] == pytest.approx(watched.counts(0.1)[0], abs=2)


def test_jitter_of_the_time_asked_for_does_not_move_the_grid(hands):
    steady, nervous = hands(joint={"kind": "fixed"}), hands(joint={"kind": "fixed"})
    runs = []
    for bench, jitter in ((steady, 0.0), (nervous, 1e-6)):
        pieces = [bench.bench.render(300, 1.0)]
        bench.operator.seat("plain", "mains")
        bench.operator.drive(Rotation.CW)
        for piece in range(1, 100):
            sign = 1 if piece % 2 else -1
            pieces.append(bench.bench.render(300, 1.0 + 300 * piece / 30_000.0 + sign * jitter))
        runs.append(np.concatenate(pieces))
    np.testing.assert_array_equal(runs[0], runs[1])


def test_clock_error_stretches_the_values(hands):
    bench = hands(converter={"clock_error_ppm": 10_000.0})
    assert bench.bench.front_rate_hz == pytest.approx(30_300.0)
    bench.operator.seat("plain", "mains")
    bench.operator.drive(Rotation.CW)
    bench.counts(1.0)
    indices = bench.truth.blow_columns()["front_index"]
    np.testing.assert_allclose(np.diff(indices), 0.025 * 30_300.0, atol=1e-6)


@pytest.mark.parametrize("rate_hz", [10, 80])
def test_an_hx711_shows_level_but_hardly_blows(hands, rate_hz):
    bench = hands(converter={"name": "hx711", "rate_hz": rate_hz}, joint={"retained_nm": 250.0})
    bench.operator.seat("plain", "mains")
    bench.operator.drive(Rotation.CW)
    torque = bench.torque_nm(10.0)
    share = sum(blow.impulse_nms for blow in bench.truth.blows[-40:])
    assert torque[-rate_hz:].mean() == pytest.approx(
        bench.truth.blows[-1].retained_after_nm + share, rel=0.002
    )
    assert torque.max() < 300.0


@pytest.mark.parametrize("name", ["ads1220", "nau7802"])
def test_other_filters_keep_the_area_of_blows(hands, name):
    bench = hands(converter={"name": name}, joint={"retained_nm": 250.0})
    bench.operator.seat("plain", "mains")
    bench.operator.drive(Rotation.CW)
    torque = bench.torque_nm(10.0)
    share = sum(blow.impulse_nms for blow in bench.truth.blows[-40:])
    assert torque[-round(bench.bench.front_rate_hz) :].mean() == pytest.approx(
        bench.truth.blows[-1].retained_after_nm + share, rel=0.002
    )


def test_nothing_asked_gives_nothing(hands):
    assert hands().bench.render(0, 1.0).size == 0


def test_faults_come_when_they_are_due(hands):
    bench = hands(faults=[{"at_s": 1.5, "kind": "extra ready", "argument": 2}]).bench
    bench.render(3000, 1.0)
    assert bench.take_fault() == (0, 0)
    bench.render(3000, 1.6)
    assert bench.take_fault() == (3, 2)
    assert bench.take_fault() == (0, 0)
    assert [event.kind for event in bench.truth.events] == ["extra ready"]


def test_acting_and_rendering_from_two_threads(hands):
    bench = hands()
    done = threading.Event()

    def render() -> None:
        while not done.is_set():
            bench.counts(0.05)

    reader = threading.Thread(target=render)
    reader.start()
    try:
        for _ in range(20):
            bench.operator.seat("plain", "mains")
            bench.operator.drive(Rotation.CW)
            bench.operator.release()
            bench.operator.slacken()
            bench.operator.unseat()
            bench.operator.hang("plate", "long")
            bench.operator.unhang_all()
    finally:
        done.set()
        reader.join()
    bench.counts(0.05)
    assert len([event for event in bench.truth.events if event.kind == "drive"]) == 20
    indices = [event.front_index for event in bench.truth.events]
    assert indices == sorted(indices)
