"""Mains hum in a quiet stretch: sinusoids at 50 or 60 Hz and the next two multiples.

Long leads and a supply without smoothing pick it up. It moves neither levels (medians of rests) nor
impulses much, but it is in the noise of everything, and a person can do something about it.

This is for the stretch before the blows of a run, often a fifth of a second: least squares at the very
frequencies, which tell 50 from 60 Hz there. A recording of a rig at rest lasts seconds; ``spectrum`` finds
the frequency in it and says how sure the hum is, but its lines are 4/T wide in T seconds.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]

MAINS_HZ = (50.0, 60.0)
HARMONICS = 3
LEAST_S = 0.2
"""A shorter stretch does not tell 50 from 60 Hz."""
LEAST_RATE_HZ = 500.0
"""Below it the multiples fold back, and slow converters filter the mains out."""
_CLEAR = 5.0
_SHARE = 0.25
"""Hum is told where it stands out of what the other noise would look like by chance, and makes this share of
the variance."""


@dataclass(frozen=True, slots=True)
class Hum:
    """Hum at ``base_hz`` and its multiples; ``amplitude`` is the root of the sum of their squares."""

    base_hz: float
    amplitude: float


def mains_hum(values: npt.ArrayLike, rate_hz: float) -> Hum | None:
    """The hum in a stretch without blows, shape (n,), in the unit of the values; None where there is none.

    A line is taken out first. Stretches below :data:`LEAST_S` and rates below :data:`LEAST_RATE_HZ` give
    None.
    """
    stretch: Floats = np.asarray(values, dtype=np.float64)
    if stretch.size < LEAST_S * rate_hz or rate_hz < LEAST_RATE_HZ:
        return None
    times: Floats = (np.arange(stretch.size, dtype=np.float64) - 0.5 * (stretch.size - 1)) / rate_hz
    level, slope = float(stretch.mean()), float(times @ stretch) / float(times @ times)
    departure: Floats = np.asarray(stretch - level - slope * times)
    found = [_fitted(departure, times, base_hz) for base_hz in MAINS_HZ]
    hum, rest = max(found, key=lambda one: one[0].amplitude)
    by_chance = rest * math.sqrt(2.0 / stretch.size * HARMONICS)
    clear = hum.amplitude > _CLEAR * by_chance
    return hum if clear and 0.5 * hum.amplitude**2 > _SHARE * (rest**2 + 0.5 * hum.amplitude**2) else None


def _fitted(stretch: Floats, times: Floats, base_hz: float) -> tuple[Hum, float]:
    """Hum at one base by least squares, and the standard deviation of what it leaves."""
    turns = 2.0 * np.pi * base_hz * times
    waves = [wave(order * turns) for order in range(1, HARMONICS + 1) for wave in (np.cos, np.sin)]
    design = np.column_stack(waves)
    parts = np.linalg.solve(design.T @ design, design.T @ stretch)
    return Hum(base_hz, float(np.linalg.norm(parts))), float(np.std(stretch - design @ parts))
