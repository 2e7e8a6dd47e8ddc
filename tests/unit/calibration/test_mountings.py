"""Several mountings: their spread is no noise of the readings, and a new one is not known better than it."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from hungweights import COUNTS_PER_NM, Nature, arm, calibration, ladder, load_steps, masses, straight

from anviltrace.calibration.line import LineFit, fit_line
from anviltrace.calibration.slope import compare_mountings
from anviltrace.records import LoadStep

HUNG = masses()
BY_ID = {mass.id: mass for mass in HUNG}


def mounted(relative: tuple[float, ...], series_each: int = 1) -> list[LoadStep]:
    """A whole series for each mounting, whose sensitivities depart by ``relative`` from the stated one."""
    nature = Nature.as_stated(HUNG, arm(), calibration())
    steps: list[LoadStep] = []
    for mounting, departure in enumerate(relative, 1):
        for _ in range(series_each):
            made = load_steps(ladder(HUNG), nature, lambda nm, d=departure: straight(nm * (1.0 + d)))
            first, series = len(steps), len(steps) // len(made) + 1
            steps += [
                replace(step, number=first + step.number, series=series, mounting=mounting) for step in made
            ]
    return steps


def fit(relative: tuple[float, ...], series_each: int = 1) -> LineFit:
    return fit_line(mounted(relative, series_each), calibration(), BY_ID, arm())


def test_a_new_mounting_by_hand() -> None:
    """Three equal mountings: s·√(1 + 1/3), with two degrees of freedom."""
    found = fit((-0.001, 0.0, 0.001))
    parts = {part.source: part.u_relative for part in found.contributions}
    assert parts["from one mounting to the next"] == pytest.approx(0.001 * math.sqrt(4.0 / 3.0), rel=1e-6)
    assert found.line.counts_per_nm == pytest.approx(COUNTS_PER_NM, rel=1e-9)
    assert found.line.dof == pytest.approx(2.0 * (found.line.u_relative / 0.001) ** 4 * (3.0 / 4.0) ** 2)


def test_the_spread_is_neither_noise_nor_departure_from_the_line() -> None:
    found = fit((-0.001, 0.0, 0.001))
    assert found.scatter_nm == pytest.approx(0.0, abs=1e-9)
    assert found.line.residual_nm == pytest.approx(0.0, abs=1e-9)
    assert found.intercept_agrees
    assert found.curvature_per_nm == pytest.approx(0.0, abs=1e-12)


def test_repeating_a_series_tells_nothing_about_the_next_mounting() -> None:
    once, often = fit((-0.001, 0.0, 0.001)), fit((-0.001, 0.0, 0.001), series_each=4)
    assert often.line.u_relative == pytest.approx(once.line.u_relative, rel=1e-6)


def test_unequal_mountings_are_weighted_by_what_hung() -> None:
    """Two series in one mounting, one in the other: the slope leans, and misses a new one by more."""
    torque_nm = np.array([10.0, 20.0, 10.0, 20.0, 10.0, 20.0])
    net, up = torque_nm * np.array([1, 1, 1, 1, 1.1, 1.1]), np.ones(6)
    found = compare_mountings(torque_nm, net, [1, 1, 1, 1, 2, 2], up)
    assert found.slopes == pytest.approx((1.0, 1.1))
    spread = 0.1 / math.sqrt(2.0)
    assert found.u_new_counts_per_nm == pytest.approx(spread * math.sqrt(1.0 + 4.0 / 9.0 + 1.0 / 9.0))
    assert found.dof == 1


def test_hysteresis_is_no_difference_between_mountings() -> None:
    """Read on the way down in one mounting only: what differs is the way, not the mounting."""
    torque_nm = np.array([10.0, 20.0, 10.0, 20.0, 10.0])
    net, mounting = np.array([10.0, 20.0, 10.0, 20.0, 10.4]), [1, 1, 2, 2, 2]
    found = compare_mountings(torque_nm, net, mounting, [True, True, True, True, False])
    assert found.u_new_counts_per_nm == 0.0
    assert found.slope(2) > found.slope(1)


def test_what_is_left_open_follows_the_plan() -> None:
    def said(relative: tuple[float, ...], series_each: int = 1) -> str:
        return " ".join(fit(relative, series_each).cannot_tell)

    assert "One mounting" in said((0.0,))
    assert "Two mountings" in said((0.0, 0.001))
    assert "Three mountings" in said((0.0, 0.001, -0.001))
    assert "mountings" not in said((0.0, 0.001, -0.001, 0.0))
    assert "One series" in said((0.0, 0.001, -0.001))
    assert "One series" not in said((0.0,), series_each=2)
