"""What side sensors sense on the virtual bench, against the models it is made from."""

from __future__ import annotations

import math

import numpy as np
import pytest

from anviltrace.records import Rotation
from anviltrace.virtual.rig import Transducer
from anviltrace.virtual.supply import Supply, SupplyState
from anviltrace.virtual.surroundings import AXES, Climate, Signal, Surroundings

PACK = Supply(full_v=20.0, empty_v=15.0, capacity_ah=1.0, inner_ohm=0.1, slow_ohm=0.05, slow_s=5.0)
SHAFT = Transducer(
    rated_nm=500.0, sensitivity_mv_per_v_per_nm=0.004, natural_hz=3400.0, damping=0.05,
    warm_up_k=2.0, warm_up_s=100.0, heating_k_per_j=0.01, cooling_s=50.0,
)  # fmt: skip


def world() -> Surroundings:
    return Surroundings(SHAFT, Climate(temperature_c=18.0))


def seen(around: Surroundings, signal: Signal, at_s: float, width_s: float = 1e-6) -> float:
    return float(around.means(signal, 1, at_s, 0.0, width_s, 1)[0, 0])


def test_the_pack_sags_tires_and_recovers_as_its_model_says() -> None:
    around, state, model = world(), SupplyState(PACK), SupplyState(PACK)
    around.connect(state, 0.0, 1.0)
    around.connect(state, 20.0, 2.0)  # the trigger is pulled
    state.pass_time(12.0, 20.0)  # which the drive tells as it goes
    around.connect(state, 0.0, 12.0)
    model.pass_time(2.0, 0.0)
    for at_s in (2.5, 7.0, 11.9):
        model.pass_time(at_s, 20.0)
        assert seen(around, Signal.VOLTAGE_UV, at_s) == pytest.approx(1e6 * model.voltage_v(20.0), abs=2)
        assert seen(around, Signal.CURRENT_UA, at_s) == 20_000_000
    model.pass_time(12.0, 20.0)
    model.pass_time(20.0, 0.0)
    assert seen(around, Signal.VOLTAGE_UV, 20.0) == pytest.approx(1e6 * model.voltage_v(0.0), abs=2)
    assert seen(around, Signal.VOLTAGE_UV, 1.5) == 20_000_000
    assert seen(around, Signal.VOLTAGE_UV, 0.5) == 0
    assert seen(around, Signal.CURRENT_UA, 20.0) == 0


def test_a_mean_over_the_moment_of_switching_on_is_between() -> None:
    around, state = world(), SupplyState(PACK)
    around.connect(state, 0.0, 0.0)
    around.connect(state, 16.0, 1.0)
    assert seen(around, Signal.CURRENT_UA, 1.002, 0.008) == pytest.approx(16e6 / 4, abs=1)


def test_a_kick_leaves_no_velocity_and_its_means_add_up() -> None:
    around = world()
    around.blow(1.0, 10.0, 200.0)
    steps = np.arange(1, 4001) / 8000.0
    fine = around.kicked_m_per_s2(0.9 + steps, 1 / 8000.0)
    coarse = around.kicked_m_per_s2(0.9 + steps[9::10], 10 / 8000.0)
    assert coarse == pytest.approx(fine.reshape(-1, 10).mean(axis=1), abs=1e-9)
    assert fine.max() > 150.0
    assert abs(float(np.cumsum(fine)[-1])) / 8000.0 < 1e-6 * 200.0
    assert np.abs(fine[:800]).max() == 0.0
    axes = around.means(Signal.HANDLE_X_MM_PER_S2, 3, 1.01, 1e-3, 1e-3, 4)
    assert axes.shape == (4, 3)
    assert axes[:, 0] / AXES[0] == pytest.approx(axes[:, 1] / AXES[1], abs=2.0)
    assert axes[:, 2] - 9810 == pytest.approx(AXES[2] * axes[:, 1], abs=2.0)


def test_a_missed_blow_kicks_nothing() -> None:
    around = world()
    around.blow(1.0, 0.0, 0.0)
    assert not around.kicked_m_per_s2(np.array([1.01]), 1e-3).any()


def test_the_shaft_warms_with_time_and_blows() -> None:
    around = world()
    around.blow(10.0, 20.0, 0.0)
    warm_k = 2.0 * (1.0 - math.exp(-0.6)) + 0.2 * math.exp(-1.0)
    assert seen(around, Signal.TEMPERATURE_UC, 60.0) == pytest.approx(1e6 * (18.0 + warm_k), abs=50)
    before_k = 2.0 * (1.0 - math.exp(-0.09))
    assert seen(around, Signal.TEMPERATURE_UC, 9.0) == pytest.approx(1e6 * (18.0 + before_k), abs=50)


def test_the_contact_bounces_and_settles() -> None:
    around = world()
    around.trigger(1.0)
    around.trigger(2.0)
    states = around.means(Signal.CONTACT, 1, 0.99, 1e-4, 0.0, 200)[:, 0]
    assert states[:99].max() == 0
    assert set(states[101:130].tolist()) == {0, 1}
    assert states[140:].min() == 1
    assert seen(around, Signal.CONTACT, 2.5) == 0


def test_the_hands_at_the_bench_make_it_so(hands) -> None:
    bench = hands().bench
    operator = bench.operator

    def now(signal: Signal) -> int:
        return int(bench.sense(signal, 1, 1, bench.now_s, 0.0, 1e-4)[0, 0])

    bench.render(300, 0.01)
    assert now(Signal.VOLTAGE_UV) == 0
    operator.seat("plain", "pack")
    bench.render(300, bench.now_s)
    assert (now(Signal.VOLTAGE_UV), now(Signal.CURRENT_UA)) == (20_000_000, 0)
    operator.drive(Rotation.CW)
    bench.render(30_000, bench.now_s)
    assert now(Signal.VOLTAGE_UV) == pytest.approx(20e6 - 30e6 * 0.05 - 5e6 * 30 / 3600 / 0.5, rel=1e-3)
    assert (now(Signal.CURRENT_UA), now(Signal.CONTACT)) == (30_000_000, 1)
    operator.release()
    bench.render(3000, bench.now_s)
    assert (now(Signal.CURRENT_UA), now(Signal.CONTACT)) == (0, 0)
    operator.change_supply("mains")
    bench.render(300, bench.now_s)
    assert now(Signal.VOLTAGE_UV) == 18_000_000
    operator.unseat()
    bench.render(300, bench.now_s)
    assert now(Signal.VOLTAGE_UV) == 0
