"""Gravity where the bench stands: normal gravity of the GRS80 ellipsoid, when nobody has measured it."""

from __future__ import annotations

import math

RELATIVE_U = 50e-6
"""Standard uncertainty of normal gravity as the local one, relative: common practice, ±50 to 100 ppm."""

_EQUATOR = 9.7803267715
_E2 = 0.006694380022901
_K = 0.001931851354842
_AXIS_M = 6_378_137.0
_FLATTENING = 1.0 / 298.257222101
_M = 0.00344978600308


def normal_gravity(latitude_deg: float, height_m: float = 0.0) -> float:
    """Normal gravity in m/s² at a latitude and a height above the ellipsoid (sea level will do).

    Somigliana's closed form on the ellipsoid and the second-order term of height: H. Moritz, Geodetic
    Reference System 1980.
    """
    s2 = math.sin(math.radians(latitude_deg)) ** 2
    on_ellipsoid = _EQUATOR * (1.0 + _K * s2) / math.sqrt(1.0 - _E2 * s2)
    ratio = height_m / _AXIS_M
    slope = 1.0 + _FLATTENING + _M - 2.0 * _FLATTENING * s2
    return on_ellipsoid * (1.0 - 2.0 * slope * ratio + 3.0 * ratio**2)
