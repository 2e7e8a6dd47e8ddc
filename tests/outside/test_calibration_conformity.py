"""Probability of conformity, guard bands and tolerance factors against published figures."""

from __future__ import annotations

import numpy as np
import pytest
from published import rows, values

from anviltrace.calibration.conformity import DecisionRule, Limits, false_acceptance
from anviltrace.calibration.coverage import tolerance_factor

EXAMPLES = values("conformity_jcgm106.toml")


@pytest.mark.parametrize("name", ["zener", "container", "oil"])
def test_probability_of_conformity(name: str) -> None:
    """JCGM 106:2012, the three examples (inputs from memory): fixtures/published/conformity_jcgm106.toml."""
    given = EXAMPLES[name]
    limits = Limits(given.get("lower"), given.get("upper"))
    found = limits.probability(given["estimate"], given["u"])
    assert found == pytest.approx(given["probability"], abs=5.1e-7)
    assert round(found, 2) == given["printed"]


def test_guard_bands() -> None:
    """ILAC-G8:09/2019: 50 % without a guard band, less than 2.5 % with w = U."""
    table = EXAMPLES["guard_band"]
    for width, wanted in zip(table["widths"], table["probabilities"], strict=True):
        assert false_acceptance(width) == pytest.approx(wanted, abs=5.1e-7)
    assert false_acceptance(DecisionRule.GUARDED.guard(1.0)) < 0.025
    assert false_acceptance(DecisionRule.SIMPLE.guard(1.0)) == 0.5


def test_tolerance_factors() -> None:
    """fixtures/published/tolerance_factors_95_95.csv: the exact column to its last digit, not the others."""
    table = rows("tolerance_factors_95_95.csv")
    assert len(table) == 17
    for row in table:
        assert tolerance_factor(int(row["n"])) == pytest.approx(row["exact"], abs=5.1e-5), row
    assert tolerance_factor(10) == pytest.approx(3.3934, abs=5e-5)
    assert abs(tolerance_factor(10) - 3.3794) > 0.01, "Weissberg and Beatty's approximation"


def test_a_tolerance_interval_holds_what_it_says() -> None:
    """8,000 samples of 8: in 95 % of them mean ± k·s holds 95 % of the normal distribution or more."""
    from scipy.special import ndtr

    samples = np.random.default_rng(16269).standard_normal((8_000, 8))
    mean, reach = samples.mean(axis=1), tolerance_factor(8) * samples.std(axis=1, ddof=1)
    content = ndtr(mean + reach) - ndtr(mean - reach)
    sampling = 3.0 * np.sqrt(0.95 * 0.05 / len(samples))
    assert np.mean(content >= 0.95) == pytest.approx(0.95, abs=sampling)
