"""Monte Carlo (JCGM 101) beside the reference torque's value and uncertainty as the lever propagates them.

Expected to agree: value, standard uncertainty and covariance, since the angle is taken to second order and
every other input acts almost linearly (the density of a weight moves the value by 0.5 ppm at most in these
cases, within the draws' scatter). Expected to differ: the 95 % interval value ± 1.96·u, wherever one
rectangular input makes most of the variance. It is then wider than 95 % of the draws need, and for an arm
about level also one-sided. ``COVERED`` lists these cases with what the interval covers instead.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import pytest
from hungweights import arm, masses
from numpy.typing import NDArray

from anviltrace.calibration.inventory import Site
from anviltrace.calibration.lever import Lever
from anviltrace.records import Arm, Mass, Spread

SEED = 101
DRAWS = 100_000
SIGMAS = 4.5
"""Of the draws' own scatter: a right figure fails once in 150,000."""
K_95 = 1.959964
NORMAL, FLAT = Spread.NORMAL, Spread.RECTANGULAR
SITE = Site(9.8113, 9.8113 * 50e-6, "GRS80", 1.2, 0.035)
Samples = NDArray[np.float64]


@dataclass(frozen=True)
class Case:
    """A load on an arm whose angle is stated in degrees."""

    hung: Sequence[Mass]
    arm: Arm
    angle_deg: float = 0.0
    site: Site = SITE


def weights(count: int, u_kg: float, spread: Spread = NORMAL) -> tuple[Mass, ...]:
    return masses(u_kg, spread)[1 : count + 1]


def lever(u_m: float, spread: Spread = NORMAL, within_deg: float = 0.0) -> Arm:
    return arm(u_m, spread, within_deg)


POINT = masses(0.004)[0]
OFFICE = replace(POINT, conventional=True, spread=FLAT)

CASES = {
    "all normal": Case(weights(1, 0.008), lever(0.0006)),
    "four normal weights": Case(weights(4, 0.02), lever(0.0003)),
    "arm, normal": Case(weights(2, 0.0001), lever(0.001)),
    "arm, rectangular": Case(weights(2, 0.0001), lever(0.002, FLAT)),
    "one weight, rectangular": Case(weights(1, 0.05, FLAT), lever(0.00001)),
    "four weights, rectangular": Case(weights(4, 0.05, FLAT), lever(0.00001)),
    "one weight and arm, equal rectangles": Case(weights(1, 0.05, FLAT), lever(0.004, FLAT)),
    "mixed": Case((OFFICE, *weights(1, 0.008, FLAT), *masses(0.01)[2:4]), lever(0.0003, FLAT, 1.0), 0.5),
    "rectangular arm, normal weight": Case(weights(1, 0.005), lever(0.0006, FLAT)),
    "angle, level": Case(weights(1, 0.00001), lever(0.000001, NORMAL, 4.0)),
    "angle, tilted": Case(weights(1, 0.00001), lever(0.000001, NORMAL, 2.0), 8.0),
    "angle and arm, level": Case(weights(2, 0.0001), lever(0.0006, NORMAL, 3.0)),
    "gravity": Case(weights(1, 0.00001), lever(0.000001), 0.0, replace(SITE, gravity_u_m_per_s2=0.005)),
    "air, light weights": Case(
        [replace(weights(1, 0.0)[0], density_kg_per_m3=1300.0, density_u_kg_per_m3=30.0)],
        lever(0.000001),
        0.0,
        replace(SITE, air_density_u_kg_per_m3=0.2, gravity_u_m_per_s2=0.0),
    ),
}

LEVEL = math.sqrt(2.0 * (1.0 / 6.0 + K_95 / math.sqrt(45.0)))
"""Share of a level arm's angles within the interval: 1 − cos δ up to a²/6 + 1.96·a²/√45."""
TRIANGLE = 1.0 - (1.0 - K_95 / math.sqrt(6.0)) ** 2
"""Share of a triangular distribution within ± 1.96·u."""


def rectangle_with_normal(share: float) -> float:
    """Share within ± 1.96·u where a rectangle makes ``share`` of the variance and a normal input the rest."""
    rectangle = math.sqrt(3.0 * share) * np.linspace(-1.0, 1.0, 2001)
    scale = math.sqrt(2.0 * (1.0 - share))
    both_ends = [math.erf((K_95 - x) / scale) + math.erf((K_95 + x) / scale) for x in rectangle]
    return 0.5 * float(np.mean(both_ends))


COVERED = {
    "arm, rectangular": 1.0,
    "one weight, rectangular": 1.0,
    "angle, tilted": 1.0,
    "one weight and arm, equal rectangles": TRIANGLE,
    "angle, level": LEVEL,
    "rectangular arm, normal weight": rectangle_with_normal(0.75**2 / (0.75**2 + 0.5**2 + 0.05**2)),
}


def draw(case: Case, loads: Sequence[Sequence[Mass]]) -> list[Samples]:
    """Torque of each load in N·m, drawn together: T = Σ m·g·(1 − ρa/ρm)·L·cos(θ + δ)."""
    random = np.random.default_rng(SEED)

    def drawn(value: float, u: float, spread: Spread = NORMAL) -> Samples:
        if spread is FLAT:
            return random.uniform(value - math.sqrt(3.0) * u, value + math.sqrt(3.0) * u, DRAWS)
        return random.normal(value, u, DRAWS)

    air = drawn(case.site.air_density_kg_per_m3, case.site.air_density_u_kg_per_m3)
    gravity = drawn(case.site.gravity_m_per_s2, case.site.gravity_u_m_per_s2)
    length = drawn(case.arm.length_m, case.arm.u_m, case.arm.spread)
    tilt = np.radians(case.angle_deg + case.arm.angle_within_deg * random.uniform(-1.0, 1.0, DRAWS))
    force = {}
    for mass in {mass.id: mass for load in loads for mass in load}.values():
        density: Samples | float = 8000.0
        if not mass.conventional:
            density = drawn(mass.density_kg_per_m3, mass.density_u_kg_per_m3)
        force[mass.id] = drawn(mass.mass_kg, mass.u_kg, mass.spread) * gravity * (1.0 - air / density)
    return [np.sum([force[mass.id] for mass in load], axis=0) * length * np.cos(tilt) for load in loads]


def scatter_of_sd(torques: Samples) -> float:
    """Standard deviation of a sample's standard deviation, relative, from its fourth moment."""
    scaled = (torques - torques.mean()) / torques.std()
    return 0.5 * math.sqrt((float(np.mean(scaled**4)) - 1.0) / DRAWS)


@pytest.mark.parametrize("name", list(CASES))
def test_value_and_uncertainty(name: str) -> None:
    case = CASES[name]
    (torques,) = draw(case, [case.hung])
    found = Lever(case.arm, case.site).torque_nm(case.hung, case.angle_deg)
    assert found.x == pytest.approx(torques.mean(), abs=SIGMAS * torques.std() / math.sqrt(DRAWS))
    assert found.u == pytest.approx(torques.std(), rel=SIGMAS * scatter_of_sd(torques))


@pytest.mark.parametrize("name", list(CASES))
def test_interval(name: str) -> None:
    """95 % of the draws lie in value ± 1.96·u, to half a percent; of those in ``COVERED`` so many instead."""
    case = CASES[name]
    (torques,) = draw(case, [case.hung])
    found = Lever(case.arm, case.site).torque_nm(case.hung, case.angle_deg)
    assert math.isinf(found.df)
    inside = np.mean(np.abs(torques - found.x) <= K_95 * found.u)
    tolerance = SIGMAS * math.sqrt(0.95 * 0.05 / DRAWS) + 0.002
    assert inside == pytest.approx(COVERED.get(name, 0.95), abs=tolerance)


@pytest.mark.parametrize("name", ["arm, rectangular", "one weight, rectangular", "angle, tilted"])
def test_a_rectangle_needs_less_than_the_interval(name: str) -> None:
    """95 % of a rectangle is ± 0.95·√3·u = 1.645·u, 16 % less than 1.96·u (JCGM 101, 9.3)."""
    case = CASES[name]
    (torques,) = draw(case, [case.hung])
    low, high = np.quantile(torques, [0.025, 0.975])
    found = Lever(case.arm, case.site).torque_nm(case.hung, case.angle_deg)
    assert 0.5 * (high - low) / (K_95 * found.u) == pytest.approx(0.95 * math.sqrt(3.0) / K_95, abs=0.01)


def test_a_level_arm_errs_to_one_side() -> None:
    """No tilt adds torque: what lies outside the interval lies below it."""
    case = replace(CASES["angle, level"], site=replace(SITE, gravity_u_m_per_s2=0.0))
    (torques,) = draw(case, [case.hung])
    found = Lever(case.arm, case.site).torque_nm(case.hung, case.angle_deg)
    assert np.mean(torques > found.x + K_95 * found.u) < 0.001
    assert np.mean(torques < found.x - K_95 * found.u) > 0.03


@pytest.mark.parametrize("name", ["all normal", "mixed", "arm, rectangular", "one weight, rectangular"])
def test_what_two_loads_share(name: str) -> None:
    """Covariance of a load with one of one weight more; its scatter from the products of deviations."""
    from GTC import get_covariance

    case = CASES[name]
    loads = [case.hung, (*case.hung, masses(0.02)[4])]
    lower, higher = draw(case, loads)
    reference = Lever(case.arm, case.site)
    found = get_covariance(*(reference.torque_nm(load, case.angle_deg) for load in loads))
    products = (lower - lower.mean()) * (higher - higher.mean())
    assert found == pytest.approx(products.mean(), abs=SIGMAS * products.std() / math.sqrt(DRAWS))
