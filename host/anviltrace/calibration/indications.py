"""The indications of a calibration, series by series: what was read at which torque, less the zero."""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass

from anviltrace.calibration.slope import Loaded
from anviltrace.records import LoadStep


@dataclass(frozen=True, slots=True)
class Indication:
    """What was read: ``counts`` at ``torque_nm``, clockwise positive, in order of time.

    ``branch`` is ``zero``, ``up`` or ``down``; the same ``load`` means that the same things hung.
    """

    series: int
    mounting: int
    branch: str
    load: str
    torque_nm: float
    counts: float


@dataclass(frozen=True, slots=True)
class Series:
    """A series: net counts, less the zero before it, for each load on the way up and on the way down.

    They are referred to the mean torque of the load over all series: the arm's angle may have differed.
    ``zero_return_counts`` is the zero after the series less the zero before.
    """

    number: int
    mounting: int
    up: dict[str, float]
    down: dict[str, float]
    zero_return_counts: float


def indications(ordered: Sequence[LoadStep], loaded: Sequence[Loaded]) -> tuple[Indication, ...]:
    """Those of load steps in order of time; ``loaded`` holds the reference torques of those under load."""
    torques = {one.step.number: float(one.torque.x) for one in loaded}
    return tuple(
        Indication(
            series=step.series,
            mounting=step.mounting,
            branch=step.branch,
            load=" ".join(sorted(step.mass_ids)),
            torque_nm=torques.get(step.number, 0.0),
            counts=step.mean_counts,
        )
        for step in ordered
    )


def torques_nm(read: Sequence[Indication]) -> dict[str, float]:
    """The mean torque of each load, a magnitude, lowest first."""
    found: dict[str, list[float]] = {}
    for one in read:
        if one.branch != "zero":
            found.setdefault(one.load, []).append(abs(one.torque_nm))
    means = {load: math.fsum(torques) / len(torques) for load, torques in found.items()}
    return dict(sorted(means.items(), key=lambda item: item[1]))


def split(read: Sequence[Indication]) -> tuple[Series, ...]:
    """The series of a calibration, each of which begins and ends with a zero."""
    means = torques_nm(read)
    ordered = sorted(read, key=lambda one: one.series)
    return tuple(
        _series(list(group), means) for _, group in itertools.groupby(ordered, key=lambda one: one.series)
    )


def first_of_each_mounting(series: Sequence[Series]) -> tuple[Series, ...]:
    """The series that tell mountings apart: repeats in a mounting are left out."""
    first: dict[int, Series] = {}
    for one in series:
        if one.up:
            first.setdefault(one.mounting, one)
    return tuple(first.values())


def _series(read: Sequence[Indication], means: dict[str, float]) -> Series:
    zero = read[0].counts
    net = {
        branch: {
            one.load: (one.counts - zero) * (means[one.load] / abs(one.torque_nm))
            for one in read
            if one.branch == branch
        }
        for branch in ("up", "down")
    }
    return Series(read[0].series, read[0].mounting, net["up"], net["down"], read[-1].counts - zero)
