"""Spreads of intervals on rigs whose outline of blows jumps from one swing to the next."""

from __future__ import annotations

import numpy as np
import pytest
from blow_train import Train, make
from struck_facts import facts_of

from anviltrace.metrics.evaluate import evaluate


@pytest.mark.parametrize(("natural_hz", "width_s", "per_s"), [(2000.0, 1.3e-3, 20.0), (2500.0, 1e-3, 40.0)])
def test_a_spread_knows_that_half_heights_lie_on_another_swing(
    natural_hz: float, width_s: float, per_s: float
) -> None:
    train = Train(
        kind="tightening",
        blows=60,
        natural_hz=natural_hz,
        width_s=width_s,
        samples=30_000.0 * width_s,
        blows_per_s=per_s,
        interval_scatter=0.03,
        energy_scatter=0.03,
    )
    made = make(train, np.random.default_rng(1))
    spread = evaluate(facts_of(made.torque_nm, made.rate_hz)).value("interval_sd")
    assert spread is not None
    assert spread.value is not None
    assert spread.expanded is not None
    true_ms = 1e3 * float(np.std(np.diff(made.apex_s), ddof=1))
    assert abs(spread.value - true_ms) < spread.expanded < 0.01 * true_ms
