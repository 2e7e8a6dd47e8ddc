from __future__ import annotations

import pytest

from anviltrace.virtual.supply import Supply, SupplyState

PACK = Supply(full_v=20.0, empty_v=15.0, capacity_ah=1.0, inner_ohm=0.1, slow_ohm=0.05, slow_s=5.0)
MAINS = Supply(full_v=18.0, inner_ohm=0.02)


def test_sags_at_once_under_load():
    assert SupplyState(PACK).voltage_v(20.0) == pytest.approx(20.0 - 20.0 * 0.1)


def test_tires_with_the_charge_drawn():
    state = SupplyState(PACK)
    state.pass_time(90.0, 20.0)
    assert state.charge == pytest.approx(0.5)
    assert state.open_v == pytest.approx(17.5)


def test_sags_further_within_seconds_and_recovers_at_rest():
    state = SupplyState(PACK)
    state.pass_time(5.0, 20.0)
    under_load = state.voltage_v(0.0)
    assert state.open_v - under_load == pytest.approx(20.0 * 0.05 * (1.0 - 2.718281828459045**-1.0))
    state.pass_time(60.0, 0.0)
    assert state.voltage_v(0.0) == pytest.approx(state.open_v, abs=1e-4)


def test_steps_of_any_size_add_up():
    whole, parts = SupplyState(PACK), SupplyState(PACK)
    whole.pass_time(12.0, 15.0)
    for tenth in range(1, 121):
        parts.pass_time(0.1 * tenth, 15.0)
    assert parts.charge == pytest.approx(whole.charge, rel=1e-9)
    assert parts.voltage_v(15.0) == pytest.approx(whole.voltage_v(15.0), rel=1e-9)


def test_time_never_runs_backwards():
    state = SupplyState(PACK)
    state.pass_time(10.0, 20.0)
    charge = state.charge
    state.pass_time(4.0, 20.0)
    assert state.charge == charge


def test_a_pack_ends_empty_and_mains_does_not():
    pack, mains = SupplyState(PACK), SupplyState(MAINS)
    pack.pass_time(1000.0, 20.0)
    mains.pass_time(1e6, 20.0)
    assert pack.empty
    assert not mains.empty
    assert mains.voltage_v(20.0) == pytest.approx(17.6)
