"""Widths, rises and starts of noisy blows with many samples lie within their intervals and bounds."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from blow_train import Made, Train, make
from simulated import COUNTS_PER_NM
from struck_facts import facts_of, with_counts

from anviltrace.metrics.evaluate import evaluate
from anviltrace.metrics.facts import zero_reading
from anviltrace.metrics.results import RunResult
from anviltrace.records import RigKind

WIDTH_S = 1e-3
TRUE = {
    "width_median": 1e3 * WIDTH_S / 1.5,
    "rise_median": 1e3 * WIDTH_S * (math.asin(0.9) - math.asin(0.1)) / math.pi,
    "shape_number": 3.0 / math.pi,
}


def noisy(samples: float, noise_nm: float, blows: int = 40) -> tuple[Made, RunResult]:
    """Half sines read at points, so that no filter widens them."""
    train = Train(samples=samples, blows=blows, rest_s=0.1, energy_scatter=0.0, averaged=False)
    made = make(train, np.random.default_rng(1))
    facts = facts_of(made.torque_nm, made.rate_hz, RigKind.THROUGH, drive_s=60.0)
    random = np.random.default_rng(2)
    zero, noise = (
        noise_nm * COUNTS_PER_NM * random.standard_normal(size) for size in (5000, made.torque_nm.size)
    )
    reading = zero_reading(np.rint(zero).astype(np.int32), made.rate_hz)
    facts = replace(facts, zero_before=reading, zero_after=reading)
    return made, evaluate(with_counts(facts, COUNTS_PER_NM * made.torque_nm + noise))


def holds(result: RunResult, name: str, true: float) -> bool:
    value = result.value(name)
    assert value is not None
    assert value.value is not None, value.withheld
    assert value.expanded is not None
    low = value.value - value.expanded - value.over_read
    return low <= true <= value.value + value.expanded + value.under_read


@pytest.mark.parametrize("noise_nm", [0.5, 2.0, 8.0])
@pytest.mark.parametrize("samples", [25.0, 100.0, 500.0])
def test_noise_is_in_widths_rises_shapes_and_starts(samples: float, noise_nm: float) -> None:
    """Of blows of 400 N·m it is 0.1 to 2 %."""
    made, result = noisy(samples, noise_nm)
    for name, true in TRUE.items():
        assert holds(result, name, true), name
    start_s = made.apex_s[0] - 0.5 * WIDTH_S + math.asin(0.05) / math.pi * WIDTH_S
    assert holds(result, "time_zero", start_s)


def test_straight_lines_make_all_widths_short_alike() -> None:
    """Six samples to a blow: 0.06 of a sample, which does not shrink with 1200 blows."""
    _, result = noisy(6.0, 0.05, blows=1200)
    assert holds(result, "width_median", TRUE["width_median"])
