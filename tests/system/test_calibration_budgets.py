"""300 simulated calibrations: how often a budget with hysteresis holds the torque in a mounting made anew.

Inputs and mountings are drawn from their stated distributions; the transducer lags on the way down as much
in use as in the calibration, and rises or falls with equal probability when torque is measured.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest
from hungweights import COUNTS_PER_NM, ZERO_COUNTS, Nature, arm, calibration, ladder, load_steps, masses

from anviltrace.calibration.budget import Case
from anviltrace.calibration.line import fit_line
from anviltrace.calibration.numbers import Numbers, work_out
from anviltrace.records import LoadStep

TIMES = 300
THREE = ((1, False), (1, False), (2, True), (3, True))
FIVE = (*THREE, (4, True), (5, True))
"""Mounting of each series, and whether it is read on the way down."""
TORQUES_NM = (80.0, 160.0, 310.0)
TOP_NM = 321.0
Series = tuple[tuple[int, bool], ...]
Reads = Callable[[float, bool], float]


class Bench:
    """Draws what nature makes of a calibration and of the torque measured later."""

    def __init__(self, series: Series, remounting: float, lag: float) -> None:
        self.random = np.random.default_rng(20260519)
        self._series, self._remounting, self._lag = series, remounting, lag
        self._hung, self._arm, self._made = masses(0.004), arm(0.0002), calibration()

    def mount(self) -> Reads:
        """A mounting: counts from torque and from whether it falls."""
        factor = COUNTS_PER_NM * (1.0 + self.random.normal(0.0, self._remounting))

        def reads(torque_nm: float, falls: bool) -> float:
            behind_nm = self._lag * (TOP_NM - torque_nm) * min(1.0, torque_nm / 40.0) if falls else 0.0
            return ZERO_COUNTS + factor * (torque_nm + behind_nm) + self.random.normal(0.0, 30.0)

        return reads

    def calibrate(self) -> Numbers:
        nature = Nature.drawn(self._hung, self._arm, self._made, self.random)
        mountings = {mounting: self.mount() for mounting, _ in self._series}
        steps: list[LoadStep] = []
        by_id = {mass.id: mass for mass in self._hung}
        for series, (mounting, falling) in enumerate(self._series, 1):
            for step in load_steps(ladder(self._hung), nature):
                if step.branch == "down" and not falling:
                    continue
                torque_nm = nature.torque_nm([by_id[mass_id] for mass_id in step.mass_ids])
                shown = mountings[mounting](torque_nm, step.branch == "down")
                number = len(steps) + 1
                steps.append(
                    replace(step, number=number, series=series, mounting=mounting, mean_counts=shown)
                )
        return work_out(steps, self._made, by_id, self._arm, fit_line(steps, self._made, by_id, self._arm))


@pytest.mark.parametrize(("series", "remounting", "lag", "at_least"), [
    (FIVE, 0.002, 0.0002, 0.93),   # remounting leads: four degrees of freedom
    (THREE, 0.002, 0.0002, 0.90),  # two: too few for Welch-Satterthwaite, which falls a little short
    (THREE, 0.0002, 0.0015, 0.93),  # hysteresis leads: a limit, which nearly always holds
])  # fmt: skip
def test_the_budget_holds(series: Series, remounting: float, lag: float, at_least: float) -> None:
    bench, held = Bench(series, remounting, lag), np.zeros(len(TORQUES_NM))
    for _ in range(TIMES):
        numbers, reads = bench.calibrate(), bench.mount()
        slope = numbers.quantities.both_counts_per_nm
        assert slope is not None
        for place, torque_nm in enumerate(TORQUES_NM):
            net = reads(torque_nm, bool(bench.random.integers(2))) - ZERO_COUNTS
            budget = numbers.budget(torque_nm, Case.BOTH)
            held[place] += abs(net / slope - torque_nm) <= budget.expanded_nm
    assert min(held) >= at_least * TIMES
    if lag < remounting:
        assert max(held) <= 0.99 * TIMES
