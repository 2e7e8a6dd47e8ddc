"""Outline and rhythm of blows: what is stated holds the truth of the train it came from."""

from __future__ import annotations

import math

import numpy as np
import pytest
from blow_train import Train, make
from simulated import COUNTS_PER_NM
from struck_facts import NOISE_NM, facts_of, struck_facts, with_counts

from anviltrace.metrics.evaluate import evaluate
from anviltrace.metrics.results import RunResult, Value
from anviltrace.records import RigKind

THROUGH = Train(kind="through", samples=20.0, blows=60)


def found(result: RunResult, name: str) -> Value:
    value = result.value(name)
    assert value is not None
    assert value.value is not None, value.withheld
    assert value.expanded is not None
    return value


def holds(value: Value, true: float) -> bool:
    assert value.value is not None
    assert value.expanded is not None
    return (
        value.value - value.expanded - value.over_read
        <= true
        <= value.value + value.expanded + value.under_read
    )


@pytest.mark.parametrize("kind", ["through", "tightening"])
@pytest.mark.parametrize("samples", [6.0, 10.0, 20.0])
def test_net_peaks_and_impulse_proxies_hold_the_truth(kind: str, samples: float) -> None:
    train = Train(kind=kind, samples=samples, blows=60, averaged=False)
    made, result = make(train, np.random.default_rng(1)), evaluate(struck_facts(train))
    assert holds(found(result, "net_peak_mean"), float(made.net_nm.mean()))
    squared = found(result, "impulse_squared")
    assert squared.value == pytest.approx(float(np.mean(made.impulse_nms**2)), rel=0.01)
    product = found(result, "peak_impulse")
    assert holds(product, float(np.mean(made.net_nm * made.impulse_nms)))
    for proxy in (squared, product, found(result, "impulse_rate")):
        assert any("a proxy, not" in flag for flag in proxy.flags)


@pytest.mark.parametrize("samples", [5.0, 6.5, 8.0, 12.0, 20.0])
def test_half_sines_have_the_rise_and_shape_of_half_sines(samples: float) -> None:
    train = Train(samples=samples, averaged=False, energy_scatter=0.0)
    result = evaluate(struck_facts(train))
    rise_ms = (math.asin(0.9) - math.asin(0.1)) / math.pi
    assert holds(found(result, "rise_median"), rise_ms)
    shape = found(result, "shape_number")
    assert holds(shape, 3.0 / math.pi)
    assert shape.common == 0.0  # the calibration cancels


def test_other_shapes_have_other_numbers() -> None:
    # triangle: 1 exactly; Gaussian: sqrt(pi / ln 2) / 2 = 1.0645
    made = make(THROUGH, np.random.default_rng(1))
    times = np.arange(made.torque_nm.size) / made.rate_hz
    near = np.abs(times[:, np.newaxis] - made.apex_s).min(axis=1)
    triangle = 300.0 * np.maximum(0.0, 1.0 - near / 0.8e-3)
    gaussian = 300.0 * np.exp(-0.5 * (near / 0.3e-3) ** 2)
    for torque, number in ((triangle, 1.0), (gaussian, math.sqrt(math.pi / math.log(2.0)) / 2.0)):
        value = found(evaluate(facts_of(torque, made.rate_hz, RigKind.THROUGH)), "shape_number")
        assert value.value == pytest.approx(number, rel=0.01)


def test_the_net_peak_knows_nothing_of_the_zero() -> None:
    facts = struck_facts(Train(kind="tightening", samples=15.0))
    net, gross = (found(evaluate(facts), name) for name in ("net_peak_mean", "peak_mean"))
    moved = evaluate(with_counts(facts, facts.pieces[0][1] + 30.0 * COUNTS_PER_NM))
    assert found(moved, "peak_mean").value == pytest.approx(gross.value + 30.0, rel=1e-3)
    assert found(moved, "net_peak_mean").value == pytest.approx(net.value, rel=1e-3)


def test_intervals_have_the_statistics_of_the_train() -> None:
    train = Train(samples=20.0, blows=80, interval_scatter=0.03)
    made, result = make(train, np.random.default_rng(1)), evaluate(struck_facts(train))
    intervals_ms = 1e3 * np.diff(made.apex_s)
    assert holds(found(result, "interval_median"), float(np.median(intervals_ms)))
    assert found(result, "interval_sd").value == pytest.approx(float(intervals_ms.std(ddof=1)), rel=0.01)
    cv = 100.0 * intervals_ms.std(ddof=1) / intervals_ms.mean()
    assert found(result, "interval_cv").value == pytest.approx(float(cv), rel=0.01)
    assert holds(found(result, "blow_rate_mean"), 79.0 / float(made.apex_s[-1] - made.apex_s[0]))
    impulse, rate = (found(result, name).value for name in ("impulse_mean", "blow_rate_mean"))
    assert found(result, "impulse_rate").value == pytest.approx(impulse * rate)


def test_noise_over_many_blows_stays_within_the_bound_of_the_largest() -> None:
    """The largest of many noisy peaks reads high: by more than one peak's noise, within the bound."""
    train = Train(samples=20.0, blows=80, energy_scatter=0.0, interval_scatter=0.0)
    clean = make(train, np.random.default_rng(1))
    true = float(clean.recorded_net_nm.max())
    random, over = np.random.default_rng(5), []
    for _ in range(12):
        noisy = clean.torque_nm + random.normal(0.0, 1.0, clean.torque_nm.size)
        facts = facts_of(noisy, clean.rate_hz, RigKind.THROUGH)
        zero = facts.zero_before
        assert zero is not None
        loud = type(zero)(zero.mean_counts, COUNTS_PER_NM, COUNTS_PER_NM, zero.samples)
        facts = type(facts)(
            facts.context, facts.pieces, loud, loud, facts.lines, facts.boxcars_s, facts.software_version
        )
        value = found(evaluate(facts), "peak_max")
        assert value.value is not None
        over.append(value.value - true)
        assert value.value - true <= value.over_read + (value.expanded or 0.0)
    assert np.mean(over) > 1.5 > 10.0 * NOISE_NM
