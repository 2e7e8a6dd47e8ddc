"""Two arms of different length at nearly the same torque: what the pull of the weights to the side does.

For the same torque weights on a shorter arm pull harder to the side. A transducer that minds, reads
S(L) = S₀·(1 + c/L) counts per N·m. The span b_l of both arms' S at a torque, over their mean, is one of the
quantities of DKD-R 3-8. Of the first arm's reading, against a load that only turns, it makes b_l·q with
q = L₂/|L₁ − L₂|.

Gravity, air and the weights that hung on both arms are the same uncertain numbers in both, so they do not
show; the arms' lengths, their angles, the weights that hung on one only, the scatter of readings and the new
mounting do, and are the uncertainty of the difference.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from GTC import ureal

from anviltrace.calibration.coverage import coverage_factor
from anviltrace.calibration.indications import first_of_each_mounting, indications, split, torques_nm
from anviltrace.calibration.lever import Lever, Weights
from anviltrace.calibration.slope import Loaded, load_by, site_of
from anviltrace.records import Arm, Calibration, LoadStep, Mass

_NEAR = 0.1
"""Torques this far outside the other arm's loads, relatively, are still compared with the nearest of them."""
_MOST_Q = 10.0
"""Arms that differ by less than a tenth tell nothing of a load that only turns."""


@dataclass(frozen=True, slots=True)
class Side:
    """A calibration's series with a second arm: what its line would be computed from; ``masses`` by id."""

    calibration: Calibration
    steps: tuple[LoadStep, ...]
    masses: Mapping[str, Mass]
    arm: Arm


@dataclass(frozen=True, slots=True)
class Noise:
    """How readings differ besides: standard deviations with their degrees of freedom.

    ``reading_counts`` within a mounting; ``mounting_relative`` from one of ``mountings`` to the next, None
    where one mounting cannot tell.
    """

    reading_counts: float
    reading_dof: float
    mountings: int
    mounting_relative: float | None = None
    mounting_dof: float = math.inf


@dataclass(frozen=True, slots=True)
class ArmsAtLoad:
    """Both arms at a torque of the second one, a magnitude; percentages of the mean of both readings.

    ``difference_percent`` is second less first, ``u_percent`` its standard uncertainty from what the arms do
    not share and ``expanded_percent`` half of its 95 % interval.
    """

    torque_nm: float
    first_counts_per_nm: float
    second_counts_per_nm: float
    difference_percent: float
    u_percent: float
    expanded_percent: float

    @property
    def span_percent(self) -> float:
        """b_l, a magnitude."""
        return abs(self.difference_percent)

    @property
    def told_apart(self) -> bool:
        """Whether the difference is larger than what the arms do not share accounts for (95 %)."""
        return self.span_percent > self.expanded_percent

    @property
    def unexplained_percent(self) -> float:
        """The part of b_l that is left when the variance of what the arms do not share is taken off."""
        return math.sqrt(max(0.0, self.difference_percent**2 - self.u_percent**2))


@dataclass(frozen=True, slots=True)
class SecondArm:
    """How the series with a second arm compares, lowest torque first.

    ``overall`` is the mean over the loads weighted by torque squared, as a slope would be, at the highest of
    them; None where no torque was near one of the first arm's. ``q`` is the factor from b_l to a load that
    only turns, None for arms too alike. ``left_out`` says in words what was not compared.
    """

    calibration_id: str
    first: Arm
    second: Arm
    levels: tuple[ArmsAtLoad, ...]
    overall: ArmsAtLoad | None
    q: float | None
    mounting_known: bool
    left_out: tuple[str, ...]

    def side_percent(self, level: ArmsAtLoad) -> float | None:
        """What the pull to the side makes of the first arm's reading beyond what is explained otherwise."""
        return None if self.q is None else self.q * level.unexplained_percent


@dataclass(frozen=True, slots=True)
class _Point:
    """Reading per N·m of an arm at a load, both uncertain numbers of GTC, magnitudes."""

    torque: Any
    per_nm: Any


def compare_arms(
    steps: Sequence[LoadStep],
    calibration: Calibration,
    masses: Mapping[str, Mass],
    arm: Arm,
    side: Side,
    noise: Noise,
) -> SecondArm:
    """The rising series of a calibration (mean of its mountings) against that with another arm."""
    site, other_site = site_of(calibration), site_of(side.calibration)
    weights = Weights(site)
    levers = (
        Lever(arm, site, weights),
        Lever(side.arm, other_site, weights if site == other_site else Weights(other_site)),
    )
    first = _points(levers[0], steps, calibration, masses, noise, noise.mountings)
    second = _points(levers[1], side.steps, side.calibration, side.masses, noise, 1)
    remounted = _remounted(noise)
    found = [(point, _at(first, point)) for point in second]
    pairs = [(point, per_nm) for point, per_nm in found if per_nm is not None]
    differences = [_relative(point.per_nm, per_nm) + remounted for point, per_nm in pairs]
    levels = tuple(
        _level(point, per_nm, difference)
        for (point, per_nm), difference in zip(pairs, differences, strict=True)
    )
    longer = abs(arm.length_m - side.arm.length_m)
    q = side.arm.length_m / longer if longer * _MOST_Q > side.arm.length_m else None
    return SecondArm(
        calibration_id=side.calibration.id,
        first=arm,
        second=side.arm,
        levels=levels,
        overall=_overall(pairs, differences),
        q=q,
        mounting_known=noise.mounting_relative is not None,
        left_out=tuple(_why_not(point, first) for point, per_nm in found if per_nm is None),
    )


def _points(
    lever: Lever,
    steps: Sequence[LoadStep],
    calibration: Calibration,
    masses: Mapping[str, Mass],
    noise: Noise,
    mountings: int,
) -> list[_Point]:
    """Mean rising readings of the first series of each mounting, lowest torque first."""
    ordered = sorted(steps, key=lambda step: step.number)
    loaded = load_by(lever, ordered, calibration.sign, masses)
    read = indications(ordered, loaded)
    main, torques = first_of_each_mounting(split(read)), _torques(loaded, torques_nm(read))
    scatter = noise.reading_counts * math.sqrt(2.0 / mountings)
    points = []
    for load, torque in torques.items():
        counts = [one.up[load] for one in main if load in one.up]
        if counts:
            mean = ureal(math.fsum(counts) / len(counts), scatter, df=noise.reading_dof)
            points.append(_Point(torque, mean / torque))
    return points


def _torques(loaded: Sequence[Loaded], means_nm: Mapping[str, float]) -> dict[str, Any]:
    """Uncertain torque of each rising load, a magnitude: that of the mean of its angles, lowest first."""
    rising = {" ".join(sorted(one.step.mass_ids)): one.torque for one in loaded if one.step.branch == "up"}
    return {load: rising[load] * (mean / rising[load].x) for load, mean in means_nm.items() if load in rising}


def _remounted(noise: Noise) -> Any:
    """The second arm is a new mounting against the mean of those with the first."""
    if noise.mounting_relative is None:
        return 0.0
    u = noise.mounting_relative * math.sqrt(1.0 + 1.0 / noise.mountings)
    return ureal(0.0, u, df=noise.mounting_dof)


def _at(points: Sequence[_Point], wanted: _Point) -> Any:
    """Reading per N·m between two loads; near the outermost ones theirs; None elsewhere."""
    at_nm = wanted.torque.x
    for lower, upper in itertools.pairwise(points):
        if lower.torque.x <= at_nm <= upper.torque.x:
            share = (at_nm - lower.torque.x) / (upper.torque.x - lower.torque.x)
            return (1.0 - share) * lower.per_nm + share * upper.per_nm
    for end in (points[0], points[-1]) if points else ():
        if abs(at_nm / end.torque.x - 1.0) <= _NEAR:
            return end.per_nm
    return None


def _relative(second: Any, first: Any) -> Any:
    return 2.0 * (second - first) / (second + first)


def _level(point: _Point, first_per_nm: Any, difference: Any) -> ArmsAtLoad:
    return _stated(point, float(first_per_nm.x), float(point.per_nm.x), difference)


def _overall(pairs: Sequence[tuple[_Point, Any]], differences: Sequence[Any]) -> ArmsAtLoad | None:
    if not pairs:
        return None
    squares = [point.torque.x**2 for point, _ in pairs]
    shares = [square / math.fsum(squares) for square in squares]
    mean = sum(share * one for share, one in zip(shares, differences, strict=True))
    per_nm = [
        math.fsum(share * one.x for share, one in zip(shares, arms, strict=True))
        for arms in ([first for _, first in pairs], [point.per_nm for point, _ in pairs])
    ]
    return _stated(pairs[-1][0], per_nm[0], per_nm[1], mean)


def _stated(point: _Point, first_per_nm: float, second_per_nm: float, difference: Any) -> ArmsAtLoad:
    u_percent = 100.0 * float(difference.u)
    return ArmsAtLoad(
        torque_nm=float(point.torque.x),
        first_counts_per_nm=first_per_nm,
        second_counts_per_nm=second_per_nm,
        difference_percent=100.0 * float(difference.x),
        u_percent=u_percent,
        expanded_percent=coverage_factor(float(difference.df)) * u_percent,
    )


def _why_not(point: _Point, first: Sequence[_Point]) -> str:
    ends = f"{first[0].torque.x:.1f} to {first[-1].torque.x:.1f} N·m" if first else "none"
    return f"{point.torque.x:.1f} N·m with the second arm: the first arm has no load near it ({ends})"
