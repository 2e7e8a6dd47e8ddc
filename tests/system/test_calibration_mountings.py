"""1,000 simulated calibrations with three mountings each; the truth is torque in a mounting made anew.

Every input is drawn from its stated distribution, each mounting's sensitivity from a normal one.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hungweights import ZERO_COUNTS, Nature, Reads, arm, calibration, ladder, load_steps, masses, straight

from anviltrace.calibration.line import Line, fit_line
from anviltrace.records import LoadStep

TIMES = 1000
SERIES = ((1, True), (1, False), (2, True), (3, True))
"""Mounting of each series, and whether it is read on the way down too: up, up; up and down; up and down."""
DEPARTURE_NM = 0.05
TORQUES_NM = (65.0, 160.0, 320.0)


class Bench:
    """Draws what nature makes of a calibration and of the torque measured later."""

    def __init__(self, seed: int, remounting: float) -> None:
        self._random = np.random.default_rng(seed)
        self._remounting = remounting
        self.hung, self.lever, self.made = masses(0.004), arm(0.0002), calibration()

    def reads(self) -> Reads:
        """A mounting: torque to counts, with a sensitivity of its own and a departure at each reading."""
        departure = self._random.normal(0.0, self._remounting)
        return lambda nm: straight(nm * (1.0 + departure) + self._random.normal(0.0, DEPARTURE_NM))

    def calibrate(self) -> Line:
        nature = Nature.drawn(self.hung, self.lever, self.made, self._random)
        mountings = {mounting: self.reads() for mounting, _ in SERIES}
        steps: list[LoadStep] = []
        for series, (mounting, falling) in enumerate(SERIES, 1):
            whole = load_steps(ladder(self.hung), nature, mountings[mounting])
            kept = [step for step in whole if falling or step.branch != "down"]
            steps += [
                replace(step, number=len(steps) + place, series=series, mounting=mounting)
                for place, step in enumerate(kept)
            ]
        return fit_line(steps, self.made, {mass.id: mass for mass in self.hung}, self.lever).line


@pytest.mark.parametrize(("remounting", "at_most"), [
    (0.0005, 0.99),  # as large as the rest: the departures of the readings are taken as limits
    (0.003, 0.97),   # remounting leads: two degrees of freedom, k up to 4.3
])  # fmt: skip
def test_the_interval_holds_for_a_new_mounting(remounting: float, at_most: float) -> None:
    bench, held = Bench(20260518, remounting), np.zeros(len(TORQUES_NM))
    for _ in range(TIMES):
        line, reads = bench.calibrate(), bench.reads()
        for place, torque_nm in enumerate(TORQUES_NM):
            error_nm = line.torque_nm(reads(torque_nm) - ZERO_COUNTS) - torque_nm
            held[place] += abs(error_nm) <= line.expanded_nm(torque_nm)
    assert min(held) >= 0.93 * TIMES
    assert max(held) <= at_most * TIMES
