"""What the readings of a calibration show of the rig, at each load and over the range.

The quantities and their formulas are common practice of static torque calibration (DKD-R 3-8, first edition,
for their definitions; the percentages from memory). X is an indication less the zero before its series. What
a short plan cannot show is None, and ``missing`` says why.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from anviltrace.calibration.indications import (
    Indication,
    Series,
    first_of_each_mounting,
    split,
    torques_nm,
)
from anviltrace.calibration.leastsquares import fit_polynomial
from anviltrace.errors import CalibrationError
from anviltrace.records import LoadStep

Numbers = npt.NDArray[np.float64]

RAISED_COSINE = 1.5
"""A mean weighted with a raised cosine scatters like one of so many times fewer samples."""


@dataclass(frozen=True, slots=True)
class Level:
    """One load: percentages of the reading, None where the plan cannot show them.

    ``mean_counts`` is the mean X of the first rising series of each mounting. ``repeatability_percent`` (b')
    is the span of rising readings in one mounting, ``reproducibility_percent`` (b) the span over mountings,
    ``reproducibility_sd_percent`` their standard deviation, the other published form of b.
    ``reversibility_percent`` (h) is falling less rising, mean of the magnitudes. ``cubic_percent`` and
    ``line_percent`` (fa) are the distances of the mean from a cubic and from a line through zero;
    ``line_both_percent`` that of the mean of rising and falling readings from their own line.
    """

    load: str
    torque_nm: float
    mean_counts: float
    repeatability_percent: float | None = None
    reproducibility_percent: float | None = None
    reproducibility_sd_percent: float | None = None
    reversibility_percent: float | None = None
    cubic_percent: float | None = None
    line_percent: float | None = None
    line_both_percent: float | None = None


@dataclass(frozen=True, slots=True)
class Quantities:
    """All loads, lowest first, and what belongs to the range.

    ``rising_counts_per_nm`` is the slope through zero of rising readings, ``both_counts_per_nm`` that of the
    means of rising and falling ones, per N·m of either sign.
    ``zero_return_percent`` (f0) of each series is relative to the mean reading at the highest load.
    ``resolution_counts`` (r) is that of a calibration reading. ``missing`` says for the name of a quantity
    why there is none.
    """

    levels: tuple[Level, ...]
    rising_counts_per_nm: float
    both_counts_per_nm: float | None
    zero_return_percent: Mapping[int, float]
    resolution_counts: float
    missing: Mapping[str, str]

    def worst_percent(self, name: str) -> float | None:
        """Largest magnitude over the range of a quantity that is named like its field of a level."""
        return largest(getattr(level, name) for level in self.levels)

    @property
    def worst_zero_return_percent(self) -> float:
        """Largest magnitude of f0 over the series."""
        return max(abs(found) for found in self.zero_return_percent.values())


def find_quantities(read: Sequence[Indication], resolution_counts: float = 1.0) -> Quantities:
    """The quantities of whole series, in order of time.

    Raises CalibrationError where no series rises, or where a reading under load equals its zero.
    """
    series, torques = split(read), torques_nm(read)
    main = first_of_each_mounting(series)
    if not main:
        raise CalibrationError("no series of this calibration rises: record it anew")
    levels = [
        _level(load, torque, series, main)
        for load, torque in torques.items()
        if any(load in one.up for one in main)
    ]
    torque_nm = np.array([level.torque_nm for level in levels])
    mean = np.array([level.mean_counts for level in levels])
    both = np.array([_mean_both(level.load, series) for level in levels])
    zero_return = {one.number: 100.0 * one.zero_return_counts / levels[-1].mean_counts for one in series}
    fitted = _with_fits(levels, torque_nm, mean, both)
    return Quantities(
        levels=fitted,
        rising_counts_per_nm=_slope(torque_nm, mean),
        both_counts_per_nm=_slope(torque_nm, both) if np.isfinite(both).all() else None,
        zero_return_percent=zero_return,
        resolution_counts=resolution_counts,
        missing=_missing(fitted),
    )


def resolution(steps: Sequence[LoadStep]) -> float:
    """The resolution r of a reading, in counts, from the steadiness of the zeros.

    One count if the unloaded reading fluctuates by at most one, else half of what it fluctuates by and one
    count (DKD-R 3-8). A reading is the mean of a window: white noise is taken, ±2 standard deviations.
    """
    zeros = [step for step in steps if step.branch == "zero"]
    half = max(2.0 * step.sd_counts * math.sqrt(RAISED_COSINE / step.samples) for step in zeros)
    return 1.0 if 2.0 * half <= 1.0 else half + 1.0


def largest(values: Iterable[float | None]) -> float | None:
    """Largest magnitude of those that are not None."""
    found = [abs(value) for value in values if value is not None]
    return max(found) if found else None


def _level(load: str, torque_nm: float, series: Sequence[Series], main: Sequence[Series]) -> Level:
    rising = np.array([one.up[load] for one in main if load in one.up])
    mean = float(rising.mean())
    if mean == 0.0:
        raise CalibrationError(
            f"the reading at {torque_nm:.1f} N·m equals its zero: check the wiring of the bridge"
        )
    several = len(rising) > 1
    return Level(
        load=load,
        torque_nm=torque_nm,
        mean_counts=mean,
        repeatability_percent=_repeatability(load, series),
        reproducibility_percent=100.0 * float(np.ptp(rising)) / abs(mean) if several else None,
        reproducibility_sd_percent=100.0 * float(rising.std(ddof=1)) / abs(mean) if several else None,
        reversibility_percent=_reversibility(load, series),
    )


def _repeatability(load: str, series: Sequence[Series]) -> float | None:
    """Span over the mean of rising readings in one mounting; the largest where several were repeated."""
    found: dict[int, list[float]] = {}
    for one in series:
        if load in one.up:
            found.setdefault(one.mounting, []).append(one.up[load])
    repeated = [np.array(readings) for readings in found.values() if len(readings) > 1]
    return largest(100.0 * float(np.ptp(readings) / readings.mean()) for readings in repeated)


def _reversibility(load: str, series: Sequence[Series]) -> float | None:
    spans = [
        100.0 * abs(one.down[load] - one.up[load]) / abs(one.up[load])
        for one in series
        if load in one.down and load in one.up
    ]
    return math.fsum(spans) / len(spans) if spans else None


def _with_fits(
    levels: Sequence[Level], torque_nm: Numbers, mean: Numbers, both_means: Numbers
) -> tuple[Level, ...]:
    """The levels with their distances from the fitted curves."""
    cubic = _distances(torque_nm, mean, (1, 2, 3))
    line = _distances(torque_nm, mean, (1,))
    both = _distances(torque_nm, both_means, (1,))
    return tuple(
        replace(level, cubic_percent=cubic[place], line_percent=line[place], line_both_percent=both[place])
        for place, level in enumerate(levels)
    )


def _slope(torque_nm: Numbers, counts: Numbers) -> float:
    return float(torque_nm @ counts / (torque_nm @ torque_nm))


def _mean_both(load: str, series: Sequence[Series]) -> float:
    """Mean of rising and falling readings over the series that have both; NaN where none has.

    At the turning point, the highest load, there is one reading and it counts for both.
    """
    found = [0.5 * (one.up[load] + one.down.get(load, one.up[load]))
             for one in series if one.down and load in one.up]  # fmt: skip
    return math.fsum(found) / len(found) if found else math.nan


def _distances(torque_nm: Numbers, counts: Numbers, powers: tuple[int, ...]) -> list[float | None]:
    """(mean − fit) / fit in percent; None for all where the loads are too few or a mean is missing."""
    if len(torque_nm) <= len(powers) or not np.isfinite(counts).all():
        return [None] * len(torque_nm)
    fit = fit_polynomial(torque_nm, counts, powers)
    return [
        100.0 * (float(mean) / fit.at(float(torque))[0] - 1.0)
        for torque, mean in zip(torque_nm, counts, strict=True)
    ]


_WHY = {
    "repeatability_percent": "b' needs a second rising series in one mounting",
    "reproducibility_percent": "b needs a rising series in another mounting",
    "reversibility_percent": "h needs a falling series",
    "cubic_percent": "a cubic needs four loads at least",
    "line_both_percent": "a result with hysteresis needs a falling series",
}


def _missing(levels: Sequence[Level]) -> dict[str, str]:
    return {name: why for name, why in _WHY.items() if all(getattr(level, name) is None for level in levels)}
