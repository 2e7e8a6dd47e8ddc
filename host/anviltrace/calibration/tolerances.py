"""Limits of weights and of measuring tapes by their class, for those that nobody has measured better.

Both tables are second-hand: found alike in several places, the standards themselves were not at hand.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from enum import StrEnum


class WeightClass(StrEnum):
    """Accuracy class of a weight after OIML R 111-1."""

    M1 = "M1"
    M2 = "M2"
    M3 = "M3"
    F1 = "F1"
    F2 = "F2"


class TapeClass(StrEnum):
    """Accuracy class of a measuring tape in the EU."""

    I = "I"  # noqa: E741
    II = "II"
    III = "III"


WEIGHT_LIMITS_MG: Mapping[WeightClass, Mapping[float, float]] = {
    WeightClass.M1: {1: 50, 2: 100, 5: 250, 10: 500, 20: 1_000, 50: 2_500},
    WeightClass.M2: {1: 160, 2: 300, 5: 800, 10: 1_600, 20: 3_000, 50: 8_000},
    WeightClass.M3: {1: 500, 2: 1_000, 5: 2_500, 10: 5_000, 20: 10_000, 50: 25_000},
    WeightClass.F1: {1: 5, 2: 10, 5: 25, 10: 50, 20: 100, 50: 250},
    WeightClass.F2: {1: 16, 2: 30, 5: 80, 10: 160, 20: 300, 50: 800},
}
"""Largest error of the conventional mass, mg either way, by nominal kg: OIML R 111-1:2004, Table 1."""

_TAPE_MM = {TapeClass.I: (0.1, 0.1), TapeClass.II: (0.3, 0.2), TapeClass.III: (0.6, 0.4)}


def tape_limit_m(tape: TapeClass, length_m: float) -> float:
    """Largest error either way, in m, of a length between two marks of a tape of this class.

    Directive 2014/32/EU, Annex X (MI-008): a + b·L in mm, L the length in metres, rounded up to whole ones.
    From memory: the hook at the end adds to it; measure from a mark.
    """
    a_mm, b_mm = _TAPE_MM[tape]
    return 1e-3 * (a_mm + b_mm * math.ceil(length_m))
