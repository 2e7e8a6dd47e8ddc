"""Shunt outputs of a 350 Ω bridge beside published figures, and beside the circuit solved node by node."""

from __future__ import annotations

import numpy as np
import published
import pytest

from anviltrace.calibration.shunt import bridge_output, computed_output, resistor_for
from anviltrace.records import Shunt, Spread

TABLE = published.rows("shunt_350_ohm.csv")
ARM_OHM = 350.0


def solved_mv_per_v(arms_ohm: tuple[float, float, float, float], shunt_ohm: float) -> float:
    """Change of output by a shunt across the first arm: Kirchhoff's current law at both corners of 1 V."""

    def output(first_s: float) -> float:
        _, second, third, fourth = (1.0 / ohm for ohm in arms_ohm)
        conductances = np.diag([first_s + second, third + fourth])
        corners = np.linalg.solve(conductances, [first_s, third])
        return float(corners[0] - corners[1])

    return 1000.0 * (output(1.0 / arms_ohm[0] + 1.0 / shunt_ohm) - output(1.0 / arms_ohm[0]))


@pytest.mark.parametrize("row", TABLE, ids=lambda row: f"{row['resistor_ohm']:g}")
def test_published_outputs(row: dict[str, float]) -> None:
    assert bridge_output(row["resistor_ohm"], ARM_OHM) == pytest.approx(row["mv_per_v"], abs=5e-6)
    assert resistor_for(row["mv_per_v"], ARM_OHM) == pytest.approx(row["resistor_ohm"], rel=6e-6)


@pytest.mark.parametrize("arm_ohm", [120.0, 350.0, 1000.0])
@pytest.mark.parametrize("resistor_ohm", [500.0, 20_000.0, 100_000.0, 1e6])
def test_the_circuit_solved_says_the_same(resistor_ohm: float, arm_ohm: float) -> None:
    solved = solved_mv_per_v((arm_ohm,) * 4, resistor_ohm)
    assert bridge_output(resistor_ohm, arm_ohm) == pytest.approx(solved, rel=1e-9)


def test_arms_that_differ_by_half_a_percent_hardly_matter() -> None:
    """The other three arms enter in second order: what counts is the arm that is bridged."""
    solved = solved_mv_per_v((350.0, 351.75, 348.25, 350.0), 100_000.0)
    assert bridge_output(100_000.0, 350.0) == pytest.approx(solved, rel=2e-5 + 0.5 * 0.005)
    assert bridge_output(100_000.0, 350.0) != pytest.approx(solved, rel=1e-7)


def test_sensitivity_to_resistor_and_arm() -> None:
    """100 kΩ + 0.1 % gives −0.0997 %, the arm + 0.5 % gives +0.499 % (computed independently)."""
    plain = bridge_output(100_000.0, 350.0)
    assert 100.0 * (bridge_output(100_100.0, 350.0) / plain - 1.0) == pytest.approx(-0.0997, abs=6e-5)
    assert 100.0 * (bridge_output(100_000.0, 351.75) / plain - 1.0) == pytest.approx(0.499, abs=6e-4)


def test_uncertainty_beside_draws() -> None:
    """Monte Carlo (JCGM 101): rectangular limits of 0.1 % and 0.5 %, 400,000 draws through the circuit."""
    random, root = np.random.default_rng(4), np.sqrt(3.0)
    shunt = Shunt("", "s", 1e5, 100.0 / root, 350.0, 1.75 / root, Spread.RECTANGULAR)
    resistors = random.uniform(99_900.0, 100_100.0, 400_000)
    arms = random.uniform(348.25, 351.75, 400_000)
    side_by_side = arms * resistors / (arms + resistors)
    drawn = 1000.0 * (0.5 - side_by_side / (side_by_side + arms))
    output = computed_output(shunt)
    assert output.mv_per_v == pytest.approx(float(drawn.mean()), rel=2e-5)
    assert output.u_mv_per_v == pytest.approx(float(drawn.std()), rel=5e-3)
