"""Air density against CIPM-2007, its short form, and a drawn sample."""

from __future__ import annotations

import math

import numpy as np
import pytest
from published import rows

from anviltrace.calibration.air import DEFAULT_WITHIN, Air, air_density, air_density_u

ROOM = Air(20.0, 1013.25, 50.0)


def test_density() -> None:
    """fixtures/published/air_density_cipm2007.csv, to its last digit."""
    table = rows("air_density_cipm2007.csv")
    assert len(table) == 8
    for row in table:
        air = Air(row["temperature_c"], row["pressure_hpa"], row["humidity_percent"])
        assert air_density(air) == pytest.approx(row["density_kg_per_m3"], abs=6e-7)


@pytest.mark.parametrize("temperature_c", [15.0, 20.0, 27.0])
@pytest.mark.parametrize("pressure_hpa", [900.0, 1013.25])
@pytest.mark.parametrize("humidity_percent", [20.0, 80.0])
def test_short_form(temperature_c: float, pressure_hpa: float, humidity_percent: float) -> None:
    """OIML R 111-1:2004, E.3-1 (constants from memory) stays within 0.02 % of it from 900 hPa on."""
    moist = 0.009 * humidity_percent * math.exp(0.061 * temperature_c)
    short = (0.34848 * pressure_hpa - moist) / (273.15 + temperature_c)
    assert air_density(Air(temperature_c, pressure_hpa, humidity_percent)) == pytest.approx(short, rel=2e-4)


@pytest.mark.parametrize("within", [DEFAULT_WITHIN, Air(0.5, 20.0, 0.0), Air(0.0, 0.0, 40.0)])
def test_uncertainty_against_draws(within: Air) -> None:
    """100,000 draws from the three rectangles (JCGM 101), to four times the draws' own scatter."""
    count, random = 100_000, np.random.default_rng(2007)

    def draw(value: float, half_width: float) -> list[float]:
        return (value + half_width * random.uniform(-1.0, 1.0, count)).tolist()

    drawn = [
        air_density(Air(*state))
        for state in zip(
            draw(ROOM.temperature_c, within.temperature_c),
            draw(ROOM.pressure_hpa, within.pressure_hpa),
            draw(ROOM.humidity_percent, within.humidity_percent),
            strict=True,
        )
    ]
    sampling = 4.0 / math.sqrt(2.0 * count)
    assert air_density_u(ROOM, within) == pytest.approx(np.std(drawn), rel=sampling)
    assert np.mean(drawn) == pytest.approx(air_density(ROOM), rel=3e-5)
