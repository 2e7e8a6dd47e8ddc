"""What feeds the tool, from a supply whose truth is known (:mod:`anviltrace.virtual.supply`)."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from anviltrace.trace import supply
from anviltrace.trace.aside import Aside
from anviltrace.virtual.supply import Supply, SupplyState

RATE_HZ = 2000.0
ON_S, ZERO_S, END_S = 0.8, 1.1, 3.1
PACK = Supply(full_v=20.6, empty_v=16.0, inner_ohm=0.045, capacity_ah=4.0, slow_ohm=0.02, slow_s=8.0)


def record(values: np.ndarray, noise: float, seed: int, **more: float) -> Aside:
    marks = np.zeros(len(values), dtype=np.bool_)
    noisy = values + noise * np.random.default_rng(seed).standard_normal(len(values))
    return Aside(noisy, RATE_HZ, 0.0, marks, marks, **more)


def drive(pack: Supply, ripple_a: float = 20.0, swing_hz: float = 30.0) -> tuple[np.ndarray, np.ndarray]:
    """Voltage and current at rest, spinning up, striking 30 times a second, and at rest again."""
    times = np.arange(round(4.0 * RATE_HZ)) / RATE_HZ
    striking = (times >= ON_S) & (times < END_S)
    current = np.where(striking, 50.0 + ripple_a * np.sin(2.0 * np.pi * swing_hz * times), 0.0)
    current += np.where(striking, 40.0 * np.exp(-(times - ON_S) / 0.05), 0.0)
    state, volts = SupplyState(pack), []
    for at_s, amperes in zip(times, current, strict=True):
        state.pass_time(float(at_s), float(amperes))
        volts.append(state.voltage_v(float(amperes)))
    return np.array(volts), current


@pytest.fixture(scope="module")
def driven() -> tuple[Aside, Aside]:
    volts, amperes = drive(PACK)
    return record(volts, 0.01, 1), record(amperes, 0.2, 2)


def test_when_the_tool_was_switched_on_and_off(driven: tuple[Aside, Aside]):
    volts, amperes = driven
    for shown in ((volts, amperes), (volts, None)):
        assert supply.switched_on_s(*shown, ZERO_S, END_S) == pytest.approx(ON_S, abs=0.003)
    assert supply.switched_off_s(amperes, ZERO_S, END_S) == pytest.approx(END_S, abs=0.003)
    offset = replace(amperes, values=amperes.values + 8.0, u_zero=10.0)  # a clamp that was not zeroed
    assert supply.switched_on_s(None, offset, ZERO_S, END_S) == pytest.approx(ON_S, abs=0.003)
    assert supply.switched_off_s(offset, ZERO_S, END_S) == pytest.approx(END_S, abs=0.003)
    late = replace(volts, start_s=ZERO_S - 0.02)
    assert supply.switched_on_s(late, None, ZERO_S, END_S) is None


def test_a_tool_that_ran_already_when_the_record_began_is_found_out(driven: tuple[Aside, Aside]):
    """Its voltage is not the open-circuit one: current flows, or the voltage is higher when all is over."""
    volts, _ = driven
    first = round((ON_S + 0.1) * RATE_HZ)
    late_v, late_a = (
        replace(
            one,
            values=one.values[first:],
            missing=one.missing[first:],
            clipped=one.clipped[first:],
            start_s=first / RATE_HZ,
        )
        for one in driven
    )
    assert supply.switched_on_s(late_v, late_a, ZERO_S, END_S) is None
    assert supply.switched_on_s(late_v, None, ZERO_S, END_S) is None
    assert supply.switched_on_s(volts, late_a, ZERO_S, END_S) == pytest.approx(ON_S, abs=0.003)
    slow = [
        replace(
            one, values=one.values[::80], missing=one.missing[::80], clipped=one.clipped[::80], rate_hz=25.0
        )
        for one in (late_v, late_a)
    ]
    for voltage, current in ((slow[0], slow[1]), (slow[0], None), (None, slow[1])):
        assert supply.switched_on_s(voltage, current, ZERO_S, END_S) is None


def test_what_shows_nothing_tells_no_moment(driven: tuple[Aside, Aside]):
    """A sensor beside the cable, or one the other way round, leaves it to the voltage."""
    volts, amperes = driven
    beside, turned = record(0.0 * amperes.values, 0.2, 7), replace(amperes, values=-amperes.values)
    for current in (beside, turned):
        assert supply.switched_on_s(volts, current, ZERO_S, END_S) == pytest.approx(ON_S, abs=0.003)
        assert supply.switched_on_s(None, current, ZERO_S, END_S) is None


@pytest.mark.parametrize("rate_hz", [10.0, 40.0])
@pytest.mark.parametrize("averaged", [True, False])
def test_a_slow_channel_knows_its_ends_to_a_sample(rate_hz: float, averaged: bool):
    """Means and single samples, all phases: mean current and energy hold their truth within their limits."""
    truth_v, truth_a = drive(PACK, swing_hz=31.7)
    mean_a = float(truth_a[(times_s() >= ZERO_S) & (times_s() < END_S)].mean())
    joule = float((truth_v * truth_a)[(times_s() >= ZERO_S) & (times_s() < END_S)].sum() / RATE_HZ)
    every, held = round(RATE_HZ / rate_hz), []
    for phase in range(0, every, max(1, every // 10)):
        slow_v, slow_a = (slowed(one, every, phase, averaged) for one in (truth_v, truth_a))
        for found, true in (
            (supply.mean_of(slow_a, ZERO_S, END_S), mean_a),
            (supply.energy(slow_v, slow_a, ZERO_S, END_S), joule),
        ):
            u = float(np.hypot(found.u_samples, found.within_ends / 3**0.5))
            held.append(abs(found.value - true) <= 2.0 * u)
            assert u < 0.1 * true
    assert np.mean(held) >= 0.9


def times_s() -> np.ndarray:
    return np.arange(round(4.0 * RATE_HZ)) / RATE_HZ


def slowed(values: np.ndarray, every: int, phase: int, averaged: bool) -> Aside:
    """Every so many samples, or the mean over as many around each."""
    centres = np.arange(every + phase, len(values) - every, every)
    half = every // 2
    read = [values[at - half : at - half + every].mean() if averaged else values[at] for at in centres]
    marks = np.zeros(len(read), dtype=np.bool_)
    return Aside(np.array(read), RATE_HZ / every, centres[0] / RATE_HZ, marks, marks)


def test_open_and_loaded_voltage(driven: tuple[Aside, Aside]):
    volts, amperes = driven
    quiet = supply.open_circuit(volts, ON_S)
    assert quiet is not None
    assert quiet.value == pytest.approx(20.6, abs=4 * quiet.u_samples + 1e-9)
    assert quiet.u_samples < 0.001
    inner = PACK.inner_ohm
    under = supply.loaded(volts, ZERO_S, END_S)
    strikes = amperes.between(ZERO_S, END_S)
    assert under.value == pytest.approx(20.6 - inner * float(np.median(strikes)), abs=0.4)
    assert supply.open_circuit(volts, 0.06) is None


def test_the_lowest_voltage_is_the_inrush(driven: tuple[Aside, Aside]):
    volts, _ = driven
    lowest = supply.lowest(volts, ON_S, END_S)
    truth = drive(PACK)[0].min()
    assert lowest.value < truth + 0.02
    assert truth < lowest.value + lowest.pulled + 0.01


@pytest.mark.parametrize("ohm", [0.02, 0.1])
@pytest.mark.parametrize("u_s", [0.0, 0.002])
def test_the_resistance_is_that_of_the_pack(ohm: float, u_s: float):
    """A pack that tires and polarises is not taken for one of higher resistance, and clocks may differ."""
    volts, amperes = drive(replace(PACK, inner_ohm=ohm))
    voltage = record(volts, 0.01, 3, start_u_s=u_s)
    current = record(amperes, 0.2, 4).shifted(u_s)
    found = supply.resistance(voltage, current, ON_S, END_S)
    assert isinstance(found, supply.Resistance)
    u = float(np.hypot(found.u_ohm, found.moved_by_clock))
    assert abs(found.ohm - ohm) < 2.5 * u + 0.0005
    assert u < 0.05 * ohm
    assert found.pulled < 0.01


def test_the_resistance_has_its_uncertainty():
    """Of 60 noisy records of one drive the 2-sigma interval holds the truth in nine of ten at least."""
    volts, amperes = drive(replace(PACK, slow_ohm=0.0))
    held = 0
    for seed in range(60):
        found = supply.resistance(record(volts, 0.2, seed), record(amperes, 0.5, 1000 + seed), ON_S, END_S)
        assert isinstance(found, supply.Resistance)
        held += abs(found.ohm - PACK.inner_ohm) < 2.0 * found.u_ohm
    assert held >= 54


def test_no_resistance_without_a_change_of_current(driven: tuple[Aside, Aside]):
    volts, amperes = driven
    steady = record(np.full(len(amperes.values), 50.0), 0.2, 5)
    assert "the current varied by" in str(supply.resistance(volts, steady, ON_S, END_S))
    short = replace(amperes, start_s=3.0)
    assert "not recorded together" in str(supply.resistance(volts, short, ON_S, END_S))


def test_energy_and_power_of_known_sines():
    """20 V and 10 A, each with a ripple of 10 % in phase: 200 W and half of the ripples' product."""
    times = np.arange(8000) / RATE_HZ
    ripple = np.sin(2.0 * np.pi * 50.0 * times)
    volts, amperes = record(20.0 + 2.0 * ripple, 0.0, 0), record(10.0 + 1.0 * ripple, 0.0, 0)
    energy = supply.energy(volts, amperes, 1.0, 3.0)
    assert energy.value == pytest.approx(2.0 * (200.0 + 1.0), rel=1e-3)
    mean = supply.mean_of(amperes, 1.0, 3.0)
    assert mean.value == pytest.approx(10.0, rel=1e-4)


def test_energy_of_records_on_different_grids(driven: tuple[Aside, Aside]):
    volts, amperes = driven
    slow = Aside(
        amperes.values[::7], RATE_HZ / 7, 0.0, amperes.missing[::7], amperes.clipped[::7], start_u_s=0.001
    )
    whole = supply.energy(volts, amperes, ZERO_S, END_S)
    mixed = supply.energy(volts, slow, ZERO_S, END_S)
    assert mixed.value == pytest.approx(whole.value, rel=2e-3)
    assert 0.0 < mixed.moved_by_clock < 0.01 * mixed.value


def test_the_loaded_voltage_has_its_uncertainty():
    """Of 200 noisy records of one drive 2 standard uncertainties hold the median without noise in 93 %."""
    volts, _ = drive(PACK)
    truth = supply.loaded(record(volts, 0.0, 0), ZERO_S, END_S).value
    found = [supply.loaded(record(volts, 0.05, seed), ZERO_S, END_S) for seed in range(200)]
    held = sum(abs(one.value - truth) < 2.0 * one.u_samples for one in found)
    assert 0.93 * 200 <= held < 200
