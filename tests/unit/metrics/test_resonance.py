"""Peaks, widths and rises beside a ring-down of the rig, and behind a filter, on simulated blows."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from simulated import DECIMATION, FRONT_HZ, RATE_HZ, STEP_S, Truth, bench, stated
from workshop import fixed_id

from anviltrace.metrics.evaluate import evaluate
from anviltrace.metrics.facts import RunFacts
from anviltrace.metrics.results import RunResult, Value
from anviltrace.records import RigKind, RingDown, Spread
from anviltrace.virtual.frontend import SincFilter
from anviltrace.virtual.rig import Resonator

KNOWN = stated(Spread.NORMAL, mass_u=2e-4, length_u=3e-4)
WIDTH_S, INTERVAL_S, BLOWS = 1.2e-3, 0.025, 12
OUTLINE = ("peak_mean", "peak_max", "maximum_torque", "net_peak_mean", "width_median", "rise_median")


@cache
def train(natural_hz: float, damping: float, seed: int = 1) -> tuple[np.ndarray, Truth, np.ndarray]:
    """Half sines over nothing, as converter and transducer show them; the truth, and the true peaks."""
    rng = np.random.default_rng([7, seed])
    peaks = 300.0 * (1.0 + 0.05 * rng.standard_normal(BLOWS))
    starts = 0.06 + rng.random() / RATE_HZ + INTERVAL_S * np.arange(BLOWS)
    whole = DECIMATION * round(FRONT_HZ / RATE_HZ)
    times = np.arange(round((starts[-1] + 0.26) / STEP_S / whole) * whole) * STEP_S
    applied = np.zeros(times.size)
    for start, peak in zip(starts, peaks, strict=True):
        first = round(start / STEP_S)
        since = times[first : first + round(WIDTH_S / STEP_S) + 2] - start
        struck = np.where((since > 0.0) & (since < WIDTH_S), np.sin(np.pi * since / WIDTH_S), 0.0)
        applied[first : first + since.size] = peak * struck
    shaft = Resonator(natural_hz, damping, STEP_S).respond(applied)
    torque = SincFilter(5, DECIMATION).push(shaft).reshape(-1, round(FRONT_HZ / RATE_HZ)).mean(axis=1)
    return torque, Truth(float(peaks.mean()) * WIDTH_S * 2.0 / np.pi, 0.0, 0.0, BLOWS), peaks


def rung(natural_hz: float, damping: float) -> RingDown:
    return RingDown(
        fixed_id(700), fixed_id(8), fixed_id(701), None, "2026-05-04T07:00:00.000Z", 5,
        natural_hz, 1e-3 * natural_hz, damping, 0.02 * damping, damping,
    )  # fmt: skip


def recorded(natural_hz: float, damping: float, seed: int = 1) -> RunFacts:
    torque, truth, _ = train(natural_hz, damping, seed)
    facts = bench(KNOWN, (torque, truth), np.random.default_rng([8, seed]))
    rig = replace(facts.context.rig, kind=RigKind.FIXED)
    return replace(facts, context=replace(facts.context, rig=rig))


def value_of(result: RunResult, name: str) -> Value:
    value = result.value(name)
    assert value is not None
    return value


def holds(value: Value, true: float) -> bool:
    """Whether the interval, with its one-sided bounds, holds the truth."""
    assert value.value is not None, value.withheld
    assert value.expanded is not None
    low = value.value - value.expanded - value.over_read
    return low <= true <= value.value + value.expanded + value.under_read


@pytest.mark.parametrize(("natural_hz", "damping"), [(2000.0, 0.01), (3000.0, 0.02), (6000.0, 0.05)])
def test_bounds_of_the_resonance_hold_the_truth(natural_hz: float, damping: float) -> None:
    """Without them the interval alone would not, where the rig swings few times within a blow."""
    facts, truth = recorded(natural_hz, damping), train(natural_hz, damping)
    result = evaluate(replace(facts, ring_down=rung(natural_hz, damping)))
    mean, width, rise = (value_of(result, name) for name in ("peak_mean", "width_median", "rise_median"))
    assert holds(mean, float(truth[2].mean()))
    assert holds(value_of(result, "peak_max"), float(truth[2].max()))
    assert holds(width, 1e3 * WIDTH_S * 2.0 / 3.0)
    assert holds(rise, 1e3 * WIDTH_S * 0.3245)
    assert holds(value_of(result, "impulse_mean"), truth[1].impulse_mean)
    swings = natural_hz * WIDTH_S
    flags = " ".join(mean.flags)
    assert ("below 4" in flags) == (swings < 4.0)
    assert ("below 8" in flags) == (4.0 <= swings < 8.0)
    assert mean.value is not None
    most = 0.35 if swings < 4.0 else 0.17
    assert 0.02 < mean.over_read / mean.value < most
    if natural_hz == 2000.0:
        bare = value_of(evaluate(facts), "peak_mean")
        assert not holds(bare, float(truth[2].mean()))


@pytest.mark.parametrize("natural_hz", [1700.0, 2400.0, 3700.0, 4500.0, 5300.0, 7900.0])
def test_bounds_hold_for_other_rigs(natural_hz: float) -> None:
    result = evaluate(replace(recorded(natural_hz, 0.02, 2), ring_down=rung(natural_hz, 0.02)))
    assert holds(value_of(result, "peak_mean"), float(train(natural_hz, 0.02, 2)[2].mean()))


def test_a_stiff_rig_needs_no_words() -> None:
    facts = recorded(25_000.0, 0.05)
    value = value_of(evaluate(replace(facts, ring_down=rung(25_000.0, 0.05))), "peak_mean")
    assert value.value is not None
    assert not any("natural frequency" in flag for flag in value.flags)
    without = value_of(evaluate(facts), "peak_mean")
    assert value.over_read - without.over_read < 0.01 * value.value


def test_a_rig_that_swings_too_slowly_withholds_peak_width_and_rise() -> None:
    facts = replace(recorded(900.0, 0.03), ring_down=rung(900.0, 0.03))
    result = evaluate(facts)
    for name in (*OUTLINE, "shape_number"):
        assert "swings only 0.8 times within a blow; below 1.5" in value_of(result, name).withheld, name
    assert holds(value_of(result, "impulse_mean"), train(900.0, 0.03)[1].impulse_mean)
    assert value_of(result, "mean_torque").value is not None


def test_a_ring_down_of_another_fitting_is_named_and_not_used() -> None:
    facts = replace(recorded(3400.0, 0.022), tapped_fittings=("30 mm socket",))
    value = value_of(evaluate(facts), "peak_mean")
    assert any("not on record with this fitting (but with 30 mm socket)" in flag for flag in value.flags)
    assert value.over_read < 0.01 * 300.0


def test_something_else_that_rings_is_said() -> None:
    facts = recorded(900.0, 0.01)
    result = evaluate(replace(facts, ring_down=rung(2000.0, 0.02)))
    assert any(
        "between the blows 900 Hz ring, and the ring-down on record has 2000" in f for f in result.flags
    )
    agreeing = evaluate(replace(facts, ring_down=rung(905.0, 0.01)))
    assert not any("between the blows" in flag for flag in agreeing.flags)


@pytest.mark.parametrize(("name", "kept"), [("CFC600", 0.97), ("CFC180", 0.55)])
def test_a_filter_is_stated_and_what_it_takes_off_is_bounded(name: str, kept: float) -> None:
    facts, truth = recorded(25_000.0, 0.05), train(25_000.0, 0.05)
    plain, behind = evaluate(facts), evaluate(replace(facts, filter=name, ring_down=rung(25_000.0, 0.05)))
    mean = value_of(behind, "peak_mean")
    assert mean.value is not None
    assert mean.value == pytest.approx(kept * float(truth[2].mean()), rel=0.03)
    assert holds(mean, float(truth[2].mean()))
    assert holds(value_of(behind, "peak_max"), float(truth[2].max()))
    assert any(
        flag.startswith(f"behind {name}, which leaves ") and "% of such peaks: of half a sine" in flag
        for flag in mean.flags
    )
    assert plain.filter == "none"
    assert behind.filter.startswith(f"{name} (SAE J211-1), forward and backward, −3 dB at ")
    assert f"(nominally {300 if name == 'CFC180' else 1000} Hz); on peaks" in behind.filter
    for untouched in ("impulse_mean", "mean_torque", "blow_rate", "blow_count"):
        assert value_of(behind, untouched).value == pytest.approx(value_of(plain, untouched).value, rel=1e-3)
    for name, true_ms in (
        ("width_median", 1e3 * WIDTH_S * 2.0 / 3.0),
        ("rise_median", 1e3 * WIDTH_S * 0.3245),
    ):
        assert holds(value_of(behind, name), true_ms)
        assert any("which widens blows" in flag for flag in value_of(behind, name).flags)
        untapped = value_of(evaluate(replace(facts, filter=behind.filter.split()[0])), name)
        assert holds(untapped, float(value_of(plain, name).value or 0.0))


def test_a_filter_that_the_rate_does_not_bear_withholds_what_it_was_meant_for() -> None:
    result = evaluate(replace(recorded(25_000.0, 0.05), filter="CFC1000"))
    for name in OUTLINE:
        assert (
            "CFC1000 needs 10000 samples a second and the record has 7500" in value_of(result, name).withheld
        )
    assert value_of(result, "impulse_mean").value is not None
    assert "not possible" in result.filter
