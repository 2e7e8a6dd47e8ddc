"""Reference torque against tables: gravity, dead weights, the angle's second-order term, a whole budget."""

from __future__ import annotations

import math

import numpy as np
import pytest
from GTC import uncertainty, value
from published import rows, values

from anviltrace.calibration.gravity import RELATIVE_U, normal_gravity
from anviltrace.calibration.inventory import Site
from anviltrace.calibration.lever import Lever, angle_moments
from anviltrace.records import Arm, Mass, Spread

ROOT3 = math.sqrt(3.0)


def test_gravity() -> None:
    """Moritz, Geodetic Reference System 1980, and its closed form above the ellipsoid (to 0.02 ppm)."""
    table = rows("gravity_grs80.csv")
    assert len(table) == 13
    for row in table:
        found = normal_gravity(row["latitude_deg"], row["height_m"])
        tolerance = 2e-10 if row["height_m"] == 0.0 else 2e-7
        assert found == pytest.approx(row["gravity_m_per_s2"], abs=tolerance)


def test_gravity_of_another_ellipsoid() -> None:
    """NIMA TR8350.2, WGS84: the same shape to 2 parts in 10⁹, 0.15 ppm lower, so it matters not which."""
    table = rows("gravity_wgs84.csv")
    assert len(table) == 11
    at_equator = table[0]["gravity_m_per_s2"] / normal_gravity(0.0)
    assert 1e6 * (at_equator - 1.0) == pytest.approx(-0.1468, abs=1e-4)
    for row in table:
        found = at_equator * normal_gravity(row["latitude_deg"])
        assert found == pytest.approx(row["gravity_m_per_s2"], rel=2e-9)


def test_standard_gravity_is_wrong_at_most_places() -> None:
    """9.80665 m/s² (CGPM 1901) is 46 ppm off at 45°, 0.27 % at the equator: never taken silently."""
    assert 9.80665 / normal_gravity(45.0) - 1.0 == pytest.approx(45.971e-6, abs=1e-9)
    assert 9.80665 / normal_gravity(0.0) - 1.0 == pytest.approx(2691.45e-6, abs=1e-8)


def test_dead_weights() -> None:
    """fixtures/published/deadweight_torque_examples.csv, all rows, with exactly known inputs."""
    table = rows("deadweight_torque_examples.csv")
    assert len(table) == 10
    for row in table:
        mass = Mass("m", "m", row["m_kg"], 0.0, Spread.NORMAL, density_kg_per_m3=row["rho_mass"])
        arm = Arm("a", "a", row["L_m"], 0.0, Spread.NORMAL, angle_within_deg=0.0)
        lever = Lever(arm, Site(row["g"], 0.0, "stated", row["rho_air"], 0.0))
        assert lever.torque_nm([mass], row["theta_deg"]).x == pytest.approx(row["T_Nm"], rel=1e-12)


def test_conventional_mass_takes_8000_kg_per_m3() -> None:
    """OIML D 28: buoyancy of 150 ppm in air of 1.2 kg/m³, whatever the weight is made of."""
    mass = Mass("m", "m", 5.0, 0.0, Spread.NORMAL, conventional=True, density_kg_per_m3=2700.0)
    arm = Arm("a", "a", 1.0, 0.0, Spread.NORMAL, angle_within_deg=0.0)
    torque = Lever(arm, Site(10.0, 0.0, "stated", 1.2, 0.0)).torque_nm([mass], 0.0)
    assert torque.x / 50.0 - 1.0 == pytest.approx(-150e-6, abs=1e-12)
    assert torque.u == 0.0


def test_cosine_of_a_tilted_arm() -> None:
    """fixtures/published/lever_cosine_error.csv."""
    mass = Mass("m", "m", 1.0, 0.0, Spread.NORMAL)
    lever = Lever(Arm("a", "a", 1.0, 0.0, Spread.NORMAL, angle_within_deg=0.0), Site(10.0, 0.0, "", 0.0, 0.0))
    for row in rows("lever_cosine_error.csv"):
        error_ppm = 1e6 * (lever.torque_nm([mass], row["angle_deg"]).x / 10.0 - 1.0)
        assert error_ppm == pytest.approx(row["cosine_error_ppm"], rel=1e-5)


def test_second_order_of_the_angle() -> None:
    """Level to ±1°: the mean falls by 51 ppm, with a standard deviation of 45 ppm; first order gives zero."""
    wanted = values("deadweight_budget.toml")["angle_second_order"]
    mean, sd, _ = angle_moments(math.radians(1.0))
    assert 1e6 * (mean - 1.0) == pytest.approx(wanted["mean_cos_minus_1_ppm"], abs=1e-3)
    assert 1e6 * sd == pytest.approx(wanted["sd_cos_ppm"], abs=1e-3)


@pytest.mark.parametrize(("angle_deg", "within_deg"), [(0.0, 0.3), (0.0, 3.0), (5.0, 1.0), (-2.0, 0.5)])
def test_angle_against_numerical_integration(angle_deg: float, within_deg: float) -> None:
    """Mean and standard deviation of cos over the rectangle, by the trapezoidal rule."""
    angles = np.radians(np.linspace(angle_deg - within_deg, angle_deg + within_deg, 200_001))
    cosines = np.cos(angles)
    mean = np.trapezoid(cosines, angles) / (angles[-1] - angles[0])
    sd = math.sqrt(np.trapezoid((cosines - mean) ** 2, angles) / (angles[-1] - angles[0]))
    arm = Arm("a", "a", 1.0, 0.0, Spread.NORMAL, angle_deg, within_deg)
    torque = Lever(arm, Site(10.0, 0.0, "", 0.0, 0.0)).torque_nm(
        [Mass("m", "m", 1.0, 0.0, Spread.NORMAL)], angle_deg
    )
    assert torque.x / 10.0 == pytest.approx(mean, rel=1e-10)
    assert torque.u / 10.0 == pytest.approx(sd, rel=1e-4)


def test_whole_budget() -> None:
    """fixtures/published/deadweight_budget.toml: each contribution, and mean and sd of a Monte Carlo run."""
    wanted = values("deadweight_budget.toml")
    gravity = normal_gravity(45.0)
    mass = Mass("m", "plate", 20.0, 0.010 / ROOT3, Spread.RECTANGULAR)
    arm = Arm("a", "arm", 0.5, 0.0005 / ROOT3, Spread.RECTANGULAR)
    torque = Lever(arm, Site(gravity, gravity * RELATIVE_U, "GRS80")).torque_nm([mass], 0.0)
    assert torque.x == pytest.approx(wanted["angle_second_order"]["torque_shifted_nm"], abs=1e-6)
    assert torque.x == pytest.approx(wanted["monte_carlo"]["mean_nm"], abs=1e-4)
    assert torque.u == pytest.approx(wanted["monte_carlo"]["sd_nm"], abs=5e-5)
    budget = parts(torque)
    for label, name in (("mass of plate", "mass"), ("gravity", "gravity"), ("air density", "air"),
                        ("density of plate", "density"), ("arm length", "arm")):  # fmt: skip
        assert budget[label] == pytest.approx(wanted["contribution_nm"][name], rel=1e-4)
    assert budget["arm angle"] == pytest.approx(wanted["angle_second_order"]["u_nm"], rel=1e-4)


def parts(torque) -> dict[str, float]:
    from GTC import reporting

    return {
        influence.label: influence.u for influence in reporting.budget(torque, trim=0) if influence.u > 0.0
    }


def test_degrees_of_freedom_of_gum_h1() -> None:
    """JCGM 100:2008, H.1, its six components as an arm and five equal weights: 16.75 degrees of freedom."""
    wanted = values("gum_h1.toml")
    scale = 1e-5  # of 50 mm, in relative terms; a weight is a fifth of the load
    (length, length_nm), *others = wanted["component_nm"].items()
    arm = Arm("a", "a", 1.0, scale * length_nm, Spread.NORMAL, 0.0, 0.0, dof=wanted["dof"][length])
    masses = [
        Mass(name, name, 1.0, 5.0 * scale * u_nm, Spread.NORMAL, conventional=True, dof=wanted["dof"][name])
        for name, u_nm in others
    ]
    torque = Lever(arm, Site(10.0, 0.0, "", 0.0, 0.0)).torque_nm(masses, 0.0)
    assert torque.u / torque.x / scale == pytest.approx(wanted["results"]["u_c_nm"], abs=0.005)
    assert torque.df == pytest.approx(wanted["results"]["nu_eff"], abs=0.005)


def test_the_empty_arms_moment_by_hand() -> None:
    """m·g·(1 − ρ/8000)·x·cos θ, and between two angles the difference of the cosines; at ±1° by trapezia."""
    arm = Arm("a", "a", 0.8, 0.0, Spread.NORMAL, 0.0, 1.0, own_mass_kg=3.0, own_centre_m=0.3)
    lever = Lever(arm, Site(9.81, 0.0, "", 1.2, 0.0))
    level_nm = 3.0 * 9.81 * (1.0 - 1.2 / 8000.0) * 0.3
    errors = np.radians(np.linspace(-1.0, 1.0, 20_001))
    for at_deg, zero_deg in ((2.0, -1.0), (6.0, 0.0), (0.0, 0.0)):
        changes = np.cos(math.radians(at_deg) + errors) - np.cos(math.radians(zero_deg) + errors)
        found = lever.since_zero_nm([], at_deg, zero_deg)
        mean = np.trapezoid(changes, errors) / (errors[-1] - errors[0])
        sd = math.sqrt(np.trapezoid((changes - mean) ** 2, errors) / (errors[-1] - errors[0]))
        assert value(found) == pytest.approx(level_nm * mean, rel=1e-7, abs=1e-12)
        assert uncertainty(found) == pytest.approx(level_nm * sd, rel=1e-4, abs=1e-12)
