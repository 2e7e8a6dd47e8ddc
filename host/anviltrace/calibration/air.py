"""Density of the air at the bench from its temperature, pressure and humidity."""

from __future__ import annotations

import dataclasses
import math
from dataclasses import dataclass

_KELVIN = 273.15
_GAS = 8.314472
_DRY_KG_PER_MOL = 28.96546e-3
_VAPOUR_KG_PER_MOL = 18.01528e-3


@dataclass(frozen=True, slots=True)
class Air:
    """State of the air; the pressure is that at the bench, not the one reduced to sea level."""

    temperature_c: float
    pressure_hpa: float
    humidity_percent: float


DEFAULT_WITHIN = Air(temperature_c=2.0, pressure_hpa=5.0, humidity_percent=20.0)
"""Half widths where none are stated: household instruments and a day's weather, rough and from memory."""


def air_density(air: Air) -> float:
    """Density of moist air in kg/m³, with 0.04 % carbon dioxide.

    CIPM-2007: A. Picard, R. S. Davis, M. Gläser, K. Fujii, Metrologia 45 (2008) 149. The formula is meant
    for 15 to 27 °C and 600 to 1100 hPa.
    """
    kelvin, pascal = air.temperature_c + _KELVIN, 100.0 * air.pressure_hpa
    vapour = _vapour_fraction(air, kelvin, pascal)
    z = _compressibility(air.temperature_c, kelvin, pascal, vapour)
    dry = pascal * _DRY_KG_PER_MOL / (z * _GAS * kelvin)
    return dry * (1.0 - vapour * (1.0 - _VAPOUR_KG_PER_MOL / _DRY_KG_PER_MOL))


def air_density_u(air: Air, within: Air) -> float:
    """Standard uncertainty of :func:`air_density` in kg/m³; ``within`` holds the half widths of rectangles.

    The formula's own uncertainty, some 20 ppm, is left out: no household instrument comes near it.
    """
    parts = [
        _half_change(air, field.name, getattr(within, field.name)) / math.sqrt(3.0)
        for field in dataclasses.fields(Air)
    ]
    return math.hypot(*parts)


def _half_change(air: Air, name: str, half_width: float) -> float:
    """Half of what the density changes by from one limit of an input to the other."""
    value = getattr(air, name)
    low, high = (dataclasses.replace(air, **{name: value + sign * half_width}) for sign in (-1.0, 1.0))
    return 0.5 * (air_density(high) - air_density(low))


def _vapour_fraction(air: Air, kelvin: float, pascal: float) -> float:
    """Mole fraction of water vapour."""
    saturated_pascal = math.exp(
        1.2378847e-5 * kelvin**2 - 1.9121316e-2 * kelvin + 33.93711047 - 6.3431645e3 / kelvin
    )
    enhancement = 1.00062 + 3.14e-8 * pascal + 5.6e-7 * air.temperature_c**2
    return 0.01 * air.humidity_percent * enhancement * saturated_pascal / pascal


def _compressibility(celsius: float, kelvin: float, pascal: float, vapour: float) -> float:
    first = (
        1.58123e-6
        - 2.9331e-8 * celsius
        + 1.1043e-10 * celsius**2
        + (5.707e-6 - 2.051e-8 * celsius) * vapour
        + (1.9898e-4 - 2.376e-6 * celsius) * vapour**2
    )
    ratio = pascal / kelvin
    return 1.0 - ratio * first + ratio**2 * (1.83e-11 - 0.765e-8 * vapour**2)
