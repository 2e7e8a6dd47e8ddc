"""2,000 simulated calibrations each: how often the interval holds the truth, and that it is not inflated.

Every input is drawn from its stated distribution; the transducer departs from its line by as much at each
reading as later in use.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pytest
from hungweights import (
    COUNTS_PER_NM,
    ZERO_COUNTS,
    Nature,
    arm,
    calibration,
    ladder,
    load_steps,
    masses,
    straight,
)

from anviltrace.calibration.line import fit_line
from anviltrace.records import Arm, Mass, Spread

TIMES = 2000
MIDDLE_NM, TOP_NM = 160.0, 320.0


@dataclass(frozen=True)
class Outcome:
    """Errors and half widths of the stated intervals, both of shape (torques, times), in N·m."""

    errors_nm: np.ndarray
    half_widths_nm: np.ndarray

    def coverage(self) -> list[float]:
        """Share of intervals that hold the truth, for each torque."""
        return np.mean(np.abs(self.errors_nm) <= self.half_widths_nm, axis=1).tolist()

    def inflation(self) -> list[float]:
        """Median half width over the 95th percentile of the error, for each torque."""
        usual = np.median(self.half_widths_nm, axis=1)
        return (usual / np.percentile(np.abs(self.errors_nm), 95.0, axis=1)).tolist()


def simulate(hung: tuple[Mass, ...], lever: Arm, departure_nm: float, sign: int) -> Outcome:
    random, made = np.random.default_rng(20260504), calibration(sign)
    by_id = {mass.id: mass for mass in hung}

    def reads(torque_nm: float) -> float:
        return straight(torque_nm + random.normal(0.0, departure_nm))

    errors, half_widths = [], []
    for _ in range(TIMES):
        steps = load_steps(ladder(hung), Nature.drawn(hung, lever, made, random), reads, sign)
        line = fit_line(steps, made, by_id, lever).line
        for torque_nm in (sign * MIDDLE_NM, sign * TOP_NM):
            errors.append(line.torque_nm(reads(torque_nm) - ZERO_COUNTS) - torque_nm)
            half_widths.append(line.expanded_nm(torque_nm))
    return Outcome(np.reshape(errors, (TIMES, 2)).T, np.reshape(half_widths, (TIMES, 2)).T)


@pytest.mark.parametrize(("u_kg", "u_m", "departure_nm", "sign"), [
    (0.004, 0.0003, 0.03, 1),    # the arm leads
    (0.002, 0.00005, 0.08, -1),  # the transducer leads
])  # fmt: skip
def test_normal_inputs(u_kg: float, u_m: float, departure_nm: float, sign: int) -> None:
    outcome = simulate(masses(u_kg), arm(u_m), departure_nm, sign)
    for share in outcome.coverage():
        assert 0.935 <= share <= 0.975
    assert max(outcome.inflation()) <= 2.0


def test_rectangular_inputs() -> None:
    """Scales, tape and spirit level known by their limits."""
    hung, lever = masses(0.0115, Spread.RECTANGULAR), arm(0.0006, Spread.RECTANGULAR, angle_within_deg=1.0)
    outcome = simulate(hung, lever, 0.03, 1)
    assert min(outcome.coverage()) >= 0.94
    assert max(outcome.inflation()) <= 2.0


def test_leaving_out_what_the_loads_share_would_be_noticed() -> None:
    """The scatter of the readings alone would hold the truth far too rarely."""
    hung, lever, made = masses(0.004), arm(0.0006), calibration()
    exact = [Mass(m.id, m.name, m.mass_kg, 0.0, m.spread) for m in hung]
    random = np.random.default_rng(3)
    held = 0
    for _ in range(200):
        steps = load_steps(ladder(hung), Nature.drawn(hung, lever, made, random))
        line = fit_line(steps, made, {m.id: m for m in exact}, arm(0.0)).line
        held += abs(line.torque_nm(COUNTS_PER_NM * TOP_NM) - TOP_NM) <= line.expanded_nm(TOP_NM)
    assert held < 0.7 * 200
