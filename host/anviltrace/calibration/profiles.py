"""How the quantities of a calibration enter its budget, by named and versioned profiles.

Published guides disagree about distributions, so a budget always names its profile. A span (b', b, h, f0)
that is called rectangular is read as the full width of the rectangle, one that is called normal as an
expanded value with k = 2.

In the own profile departure from the line and half the hysteresis are one limit: at a torque that is reached
again and again both are the same each time, at the one end or the other. As two rectangles in quadrature,
or as one, they were found too narrow in simulated calibrations that hysteresis leads; hence U-shaped. So is
the departure alone, where torque only rises. Of the distances from the line only that counts which the
uncertainty of the reference torques does not account for (fa − u); anviltrace-1 took all of them.

The span b_l between two arms is called U-shaped by DKD-R 3-8, here over its full width: how the pull to the
side falls on the gauges turns with the mounting, like a sine, which is near one of its ends most often. The
own profile asks what the pull makes of a load that only turns, q·b_l as a half width, once what lengths,
angles and mountings account for is taken off: their terms are in the budget already.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

from anviltrace.errors import CalibrationError


@dataclass(frozen=True, slots=True)
class Rule:
    """A width divided by ``divisor`` is a standard uncertainty."""

    distribution: str
    divisor: float


@dataclass(frozen=True, slots=True)
class Profile:
    """The rules for the quantities that a guide takes in, by symbol, and where they come from."""

    name: str
    source: str
    rules: Mapping[str, Rule]


_NORMAL = Rule("normal", 1.0)
_NORMAL_K2 = Rule("normal, k = 2", 2.0)
_SPAN = Rule("rectangular, full width", math.sqrt(12.0))
_TWO_VALUED = Rule("U-shaped", math.sqrt(2.0))
_TWO_VALUED_SPAN = Rule("U-shaped, full width", math.sqrt(8.0))
_TRIANGLE = Rule("triangular", math.sqrt(6.0))
_TWICE = Rule("rectangular, full width, zero and reading", math.sqrt(6.0))

_OWN_RULES = {"s": _NORMAL, "line": _NORMAL, "m": _NORMAL, "r": _TWICE, "f0": _SPAN, "q·b_l": _TWO_VALUED}
OWN = Profile(
    "anviltrace-2",
    "scatter and mountings as standard deviations with their degrees of freedom, the rest as limits; of the "
    "distances from the line what the loads' uncertainty does not account for",
    _OWN_RULES | {"fa − u": _TWO_VALUED, "fa − u + h/2": _TWO_VALUED},
)
PROFILES = (
    OWN,
    Profile(
        "anviltrace-1",
        "as anviltrace-2, but all of the distances from the line: what is wrong with weights counts twice",
        _OWN_RULES | {"fa": _TWO_VALUED, "fa + h/2": _TWO_VALUED},
    ),
    Profile(
        "dkd-r-3-8:2003",
        "DKD-R 3-8, edition 10/2003, table B.2 (torque wrenches; takes no interpolation deviation in)",
        {
            "b'": _NORMAL_K2,
            "b": _NORMAL_K2,
            "b_l": _TWO_VALUED_SPAN,
            "r": _SPAN,
            "f0": _SPAN,
            "h": _NORMAL_K2,
        },
    ),
    Profile(
        "dkd-infoblatt-10-02:4",
        "DKD information sheet 10-02, version 4, as quoted on a certificate (takes no mountings in)",
        {"b'": _SPAN, "r": _TWICE, "fa": _TRIANGLE},
    ),
)


def find_profile(name: str) -> Profile:
    """The profile of this name; raises CalibrationError listing those there are."""
    for profile in PROFILES:
        if profile.name == name:
            return profile
    known = ", ".join(profile.name for profile in PROFILES)
    raise CalibrationError(f"no budget profile is called {name!r}; there are: {known}")
