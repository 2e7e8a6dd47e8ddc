"""The line between torque and counts, fitted to the load steps of a calibration.

Readings are tared by the mean of the zeros before and after their series. The slope of the straight line
through zero is what is used; a line with an intercept is fitted beside it as a check that the intercept is
zero. The slope's uncertainty holds the scatter of the readings and everything the reference torques have in
common (arm, gravity, air, weights used again), which repeating does not make smaller. What the transducer
itself departs from the line is kept apart, as a limit that is reached: at a torque met again and again it
departs by the same each time, at one end or the other (U-shaped: half width over √2). It is what is left of
the readings' distances from the line when what the weights are expected to do to them is taken off.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from anviltrace.calibration.coverage import coverage_factor
from anviltrace.calibration.departure import distance_variance_nm2, share_beyond
from anviltrace.calibration.leastsquares import Fit, apart, fit_polynomial
from anviltrace.calibration.lever import Lever
from anviltrace.calibration.slope import (
    Loaded,
    Mountings,
    compare_mountings,
    covariance_nm2,
    load_all,
    relative_parts,
    rising_torques,
    tare,
    uncertain_slope,
)
from anviltrace.errors import CalibrationError
from anviltrace.records import Arm, Calibration, LoadStep, Mass

Numbers = npt.NDArray[np.float64]

_EQUAL = 1e-3
"""Torques that differ by no more than this share are one load."""
REACH = 2.0
"""Torque above so many times the highest hung load is withheld."""
STATIC_ONLY = "Static calibration: it says nothing about how the rig responds to impacts."
_ONE_MOUNTING = "One mounting: how far the reading changes from one mounting to the next is not known."
_TWO_MOUNTINGS = (
    "Two mountings: how far the next one may differ is hardly known, and widens the interval; make four."
)
_THREE_MOUNTINGS = (
    "Three mountings: they tell little of how far the next one may differ, and widen the interval; make four."
)
_ONE_SERIES = (
    "One series in a mounting: how well the rig repeats itself is known from the scatter about the line only."
)
ENOUGH_MOUNTINGS = 4
"""Mountings from which on no words are needed: t with 3 degrees of freedom is 3.2, with 2 it is 4.3."""
FRICTION = (
    "Bearings: where some carry the shaft, their friction under the weights' pull, up to µ·F·d/2, shows as "
    "hysteresis and is not told from the transducer's own."
)
ONE_ARM = "One arm length: what the weight's pull to the side does to the reading is not known."


@dataclass(frozen=True, slots=True)
class Line:
    """How net counts (less the zero) and torque belong together, for one sign of torque.

    ``counts_per_nm`` carries the polarity of the bridge. ``u_relative`` with ``dof`` is the standard
    uncertainty of the slope: fit, common errors, and what a new mounting changes, where several tell.
    ``residual_nm`` is a half width: the largest distance of a reading from the line of its mounting.
    ``departure_nm`` is that of it which the uncertainty of the reference torques does not account for, and
    ``departure_u_nm`` the standard uncertainty that it makes.
    ``bend_per_nm`` is a half width: the relative departure from the line for each N·m above ``highest_nm``,
    from the curvature of a parabola with its uncertainty and the residual going on in proportion. Above
    ``limit_nm`` torque is withheld. All torques here are magnitudes.
    """

    calibration_id: str
    sign: int
    counts_per_nm: float
    u_relative: float
    dof: float
    residual_nm: float
    departure_nm: float
    lowest_nm: float
    highest_nm: float
    bend_per_nm: float
    limit_nm: float

    def torque_nm(self, net_counts: float) -> float:
        """Torque, clockwise positive, of a reading less the zero."""
        return net_counts / self.counts_per_nm

    @property
    def departure_u_nm(self) -> float:
        """Standard uncertainty from the transducer's departure from the line: a U-shaped limit."""
        return self.departure_nm / math.sqrt(2.0)

    def standard_uncertainty_nm(self, torque_nm: float) -> float:
        """Standard uncertainty that the calibration gives to a torque of either sign."""
        magnitude = abs(torque_nm)
        bend_nm = self.bend_per_nm * max(0.0, magnitude - self.highest_nm) * magnitude
        return math.hypot(magnitude * self.u_relative, self.departure_u_nm, bend_nm / math.sqrt(3.0))

    def degrees_of_freedom(self, torque_nm: float) -> float:
        """Effective degrees of freedom of that uncertainty (Welch-Satterthwaite)."""
        slope_nm = abs(torque_nm) * self.u_relative
        if slope_nm == 0.0 or math.isinf(self.dof):
            return math.inf
        return self.dof * (self.standard_uncertainty_nm(torque_nm) / slope_nm) ** 4

    def expanded_nm(self, torque_nm: float) -> float:
        """Half width of the 95 % interval that the calibration gives to a torque."""
        k = coverage_factor(self.degrees_of_freedom(torque_nm))
        return k * self.standard_uncertainty_nm(torque_nm)

    def why_withheld(self, torque_nm: float) -> str:
        """Why no torque can be stated at this size, in words; empty where one can."""
        if abs(torque_nm) <= self.limit_nm:
            return ""
        return (
            f"{abs(torque_nm):.0f} N·m is beyond {self.limit_nm:.0f} N·m, as far as weights up to "
            f"{self.highest_nm:.0f} N·m vouch for; hang more, or record a rated linearity"
        )


@dataclass(frozen=True, slots=True)
class StepRow:
    """A load step beside the line. Torques carry their sign; ``net_counts`` are less the zero."""

    number: int
    branch: str
    masses: tuple[str, ...]
    mass_kg: float
    reference_nm: float
    reference_u_nm: float
    net_counts: float
    residual_nm: float


@dataclass(frozen=True, slots=True)
class Contribution:
    """A part of the uncertainty at the highest load: ``u_relative`` to the torque, ``share`` of u²."""

    source: str
    u_relative: float
    share: float


@dataclass(frozen=True, slots=True)
class LineFit:
    """A line and everything worth showing about how it was found.

    ``intercept_counts`` ± ``intercept_u_counts`` and ``covariance`` belong to the check line with intercept
    (order: intercept in counts, slope in counts per N·m); ``intercept_agrees`` says whether it is zero
    within its 95 % interval. ``hysteresis_nm`` is the largest difference between falling and rising
    readings at one load, None without a falling series; ``zero_return_nm`` the largest change of zero over a
    series.
    """

    line: Line
    steps: tuple[StepRow, ...]
    contributions: tuple[Contribution, ...]
    intercept_counts: float
    intercept_u_counts: float
    intercept_agrees: bool
    covariance: tuple[tuple[float, float], tuple[float, float]]
    scatter_nm: float
    curvature_per_nm: float | None
    curvature_u_per_nm: float | None
    hysteresis_nm: float | None
    zero_return_nm: float
    cannot_tell: tuple[str, ...]


def fit_line(
    steps: Sequence[LoadStep],
    calibration: Calibration,
    masses: Mapping[str, Mass],
    arm: Arm,
    lever: Lever | None = None,
) -> LineFit:
    """The line through the load steps of a calibration; ``masses`` by id.

    ``lever``, of this arm at this site, saves making one where many calibrations have it in common.

    Raises CalibrationError when the steps are not a whole calibration (a zero, two different loads at
    least, a zero again) or do not show torque.
    """
    ordered = sorted(steps, key=lambda step: step.number)
    _check_whole(ordered)
    loaded = load_all(ordered, calibration, masses, arm, lever)
    torque_nm = np.array([one.torque.x for one in loaded])
    net = np.array([one.net_counts for one in loaded])
    _check_apart(np.abs(torque_nm))
    _check_response(fit_polynomial(torque_nm, net, (1,)))
    mounting = [one.step.mounting for one in loaded]
    rising = [one.step.branch == "up" for one in loaded]
    mountings = compare_mountings(torque_nm, net, mounting, rising)
    slope = uncertain_slope(loaded, ordered, mountings)
    rows = _rows(ordered, loaded, slope.x)
    bend = _bend(torque_nm, net, mounting)
    line = _line(calibration, slope, torque_nm, bend, _distances(ordered, rows, loaded, mountings))
    return _report(line, slope, ordered, rows, bend, mountings)


def _check_whole(ordered: Sequence[LoadStep]) -> None:
    for series, group in itertools.groupby(ordered, key=lambda step: step.series):
        branches = [step.branch for step in group]
        if branches[0] != "zero" or branches[-1] != "zero" or len(branches) < 2:
            raise CalibrationError(
                f"series {series} is not whole: it does not begin and end with a zero; record it anew"
            )
    loads = {frozenset(step.mass_ids) for step in ordered if step.branch != "zero"}
    if len(loads) < 2:
        raise CalibrationError(f"{len(loads)} load: a line needs two different loads at least; hang another")


def _check_apart(torques_nm: Numbers) -> None:
    """Other weights of the same torque are no other load."""
    highest_nm = float(torques_nm.max())
    if highest_nm - float(torques_nm.min()) <= _EQUAL * highest_nm:
        raise CalibrationError(
            f"all loads make {highest_nm:.1f} N·m, to {100.0 * _EQUAL:g} %: a line needs two different "
            "loads at least; hang another"
        )


def _check_response(fit: Fit) -> None:
    """The reading must follow the load far beyond its scatter, or it is no calibration."""
    if abs(fit.coefficient(1)) <= 10.0 * fit.u(1):
        raise CalibrationError(
            "the reading does not follow the load (slope uncertain to more than 10 %): check the wiring of "
            "the bridge, the gain, and that nothing but the transducer holds the arm; then record it anew"
        )


def _rows(ordered: Sequence[LoadStep], loaded: Sequence[Loaded], counts_per_nm: float) -> tuple[StepRow, ...]:
    tares, by_number = tare(ordered), {one.step.number: one for one in loaded}
    return tuple(
        _row(step, step.mean_counts - tares[step.series], by_number.get(step.number), counts_per_nm)
        for step in ordered
    )


def _row(step: LoadStep, net_counts: float, loaded: Loaded | None, counts_per_nm: float) -> StepRow:
    hung = () if loaded is None else loaded.masses
    reference_nm, u_nm = (0.0, 0.0) if loaded is None else (float(loaded.torque.x), float(loaded.torque.u))
    return StepRow(
        number=step.number,
        branch=step.branch,
        masses=tuple(mass.name for mass in hung),
        mass_kg=math.fsum(mass.mass_kg for mass in hung),
        reference_nm=reference_nm,
        reference_u_nm=u_nm,
        net_counts=net_counts,
        residual_nm=net_counts / counts_per_nm - reference_nm,
    )


@dataclass(frozen=True, slots=True)
class _Distances:
    """Largest distance of a reading from its line, as seen and beyond what the loads account for, N·m."""

    seen: float
    beyond: float


def _distances(
    ordered: Sequence[LoadStep],
    rows: Sequence[StepRow],
    loaded: Sequence[Loaded],
    mountings: Mountings,
) -> _Distances:
    """Each reading against the line of its own mounting; of the mean at a load, the loads' part is taken off.

    A load that only ever came on the way down keeps its distance as it is.
    """
    off_nm: dict[tuple[str, ...], list[float]] = {}
    for step, row in zip(ordered, rows, strict=True):
        distance_nm = row.net_counts / mountings.slope(step.mounting) - row.reference_nm
        off_nm.setdefault(tuple(sorted(step.mass_ids)), []).append(distance_nm)
    torques = rising_torques(loaded)
    means_nm = {load: math.fsum(off_nm[load]) / len(off_nm[load]) for load in torques}
    torque_nm = np.array([torque.x for torque in torques.values()])
    known = 0.0
    if torques:
        variance_nm2 = distance_variance_nm2(torque_nm, covariance_nm2(torques), (1,))
        known = 1.0 - share_beyond(list(means_nm.values()), variance_nm2)
    return _Distances(
        seen=max(abs(one) for ones in off_nm.values() for one in ones),
        beyond=max(
            abs(one - known * means_nm.get(load, 0.0)) for load, ones in off_nm.items() for one in ones
        ),
    )


def _line(
    calibration: Calibration, slope: Any, torque_nm: Numbers, bend: _Bend | None, off: _Distances
) -> Line:
    highest = float(np.abs(torque_nm).max())
    reach = highest if bend is None else REACH * highest
    bend_per_nm = 0.0 if bend is None else bend.most
    return Line(
        calibration_id=calibration.id,
        sign=calibration.sign,
        counts_per_nm=float(slope.x),
        u_relative=float(slope.u) / abs(float(slope.x)),
        dof=float(slope.df),
        residual_nm=off.seen,
        departure_nm=off.beyond,
        lowest_nm=float(np.abs(torque_nm).min()),
        highest_nm=highest,
        bend_per_nm=bend_per_nm + off.seen / highest**2,
        limit_nm=max(reach, calibration.linear_to_nm or 0.0),
    )


@dataclass(frozen=True, slots=True)
class _Bend:
    """Relative curvature per N·m of a parabola through zero, with its standard uncertainty."""

    per_nm: float
    u_per_nm: float
    dof: int

    @property
    def most(self) -> float:
        """How large it may be either way, with a probability of 95 %."""
        return abs(self.per_nm) + coverage_factor(self.dof) * self.u_per_nm


def _bend(torque_nm: Numbers, net: Numbers, mounting: Sequence[int]) -> _Bend | None:
    """The bend that the readings show; None for less than three different loads, which cannot tell."""
    if len(set(np.round(torque_nm, 6).tolist())) < 3:
        return None
    parabola = fit_polynomial(torque_nm, net, (1, 2), apart(torque_nm, mounting))
    first = abs(parabola.coefficient(1))
    return _Bend(parabola.coefficient(2) / first, parabola.u(2) / first, parabola.dof)


def _report(
    line: Line,
    slope: Any,
    ordered: Sequence[LoadStep],
    rows: tuple[StepRow, ...],
    bend: _Bend | None,
    mountings: Mountings,
) -> LineFit:
    check = _check_line(ordered, rows)
    per_nm = abs(line.counts_per_nm)
    covariance = check.covariance.tolist()
    intercept, u_intercept = check.coefficient(0), check.u(0)
    return LineFit(
        line=line,
        steps=rows,
        contributions=_contributions(line, slope),
        intercept_counts=intercept,
        intercept_u_counts=u_intercept,
        intercept_agrees=abs(intercept) <= coverage_factor(check.dof) * u_intercept,
        covariance=((covariance[0][0], covariance[0][1]), (covariance[1][0], covariance[1][1])),
        scatter_nm=mountings.within.residual_sd / per_nm,
        curvature_per_nm=None if bend is None else bend.per_nm,
        curvature_u_per_nm=None if bend is None else bend.u_per_nm,
        hysteresis_nm=_hysteresis(ordered, per_nm),
        zero_return_nm=_zero_return(rows, per_nm),
        cannot_tell=_cannot_tell(ordered),
    )


def _check_line(ordered: Sequence[LoadStep], rows: Sequence[StepRow]) -> Fit:
    torque_nm = np.array([row.reference_nm for row in rows])
    beside = apart(torque_nm, [step.mounting for step in ordered])
    return fit_polynomial(torque_nm, [row.net_counts for row in rows], (0, 1), beside)


def _cannot_tell(ordered: Sequence[LoadStep]) -> tuple[str, ...]:
    """What a plan as short as this one leaves open, in words."""
    mountings = {step.mounting for step in ordered}
    rising = {(step.mounting, step.series) for step in ordered if step.branch == "up"}
    sentences = [STATIC_ONLY]
    if len(mountings) < ENOUGH_MOUNTINGS:
        sentences.append((_ONE_MOUNTING, _TWO_MOUNTINGS, _THREE_MOUNTINGS)[len(mountings) - 1])
    if len(rising) <= len(mountings):
        sentences.append(_ONE_SERIES)
    return (*sentences, ONE_ARM, FRICTION)


def _hysteresis(ordered: Sequence[LoadStep], counts_per_nm: float) -> float | None:
    up = {(step.series, step.mass_ids): step.mean_counts for step in ordered if step.branch == "up"}
    spans = [
        abs(step.mean_counts - up[step.series, step.mass_ids])
        for step in ordered
        if step.branch == "down" and (step.series, step.mass_ids) in up
    ]
    return max(spans) / counts_per_nm if spans else None


def _zero_return(rows: Sequence[StepRow], counts_per_nm: float) -> float:
    zeros = [row.net_counts for row in rows if row.branch == "zero"]
    return (max(zeros) - min(zeros)) / counts_per_nm


def _contributions(line: Line, slope: Any) -> tuple[Contribution, ...]:
    """Parts of the standard uncertainty at the highest load, largest first."""
    parts = relative_parts(slope)
    parts["departure from the line"] = line.departure_u_nm / line.highest_nm
    total = math.fsum(u**2 for u in parts.values())
    found = [Contribution(source, u, u**2 / total if total else 0.0) for source, u in parts.items()]
    return tuple(sorted(found, key=lambda part: part.u_relative, reverse=True))
