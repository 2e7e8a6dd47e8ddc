"""The empty arm: its moment as computed, and as the zero changed when the arm was put on the bare rig."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from GTC import ureal

from anviltrace.calibration.coverage import coverage_factor
from anviltrace.calibration.lever import Lever
from anviltrace.calibration.line import LineFit
from anviltrace.calibration.slope import site_of
from anviltrace.records import Arm, Calibration, LoadStep, Zero

MAY_MEAN = (
    "the arm is not balanced as described (its mass, or where its centre of gravity lies), or something else "
    "hangs on it or touches it"
)


@dataclass(frozen=True, slots=True)
class Moment:
    """A moment in N·m, clockwise positive, with half of its 95 % interval."""

    nm: float
    expanded_nm: float

    @classmethod
    def of(cls, torque: Any) -> Moment:
        """From an uncertain number of GTC."""
        return cls(float(torque.x), coverage_factor(float(torque.df)) * float(torque.u))


@dataclass(frozen=True, slots=True)
class EmptyArm:
    """The moment of the empty arm, which the zero takes up.

    ``computed`` is None where the arm is not described, ``read`` where the bare rig was not read before;
    ``difference`` is read less computed. ``not_held`` names what changes the zero too and is not in the
    interval of ``read``, since the course does not show it.
    """

    computed: Moment | None
    read: Moment | None
    difference: Moment | None
    not_held: tuple[str, ...]

    @property
    def agrees(self) -> bool | None:
        """Whether both agree within their 95 % interval; None where there is nothing to compare."""
        one = self.difference
        return None if one is None else abs(one.nm) <= one.expanded_nm


def look_at_empty_arm(
    steps: Sequence[LoadStep], calibration: Calibration, arm: Arm, fit: LineFit, bare: Zero | None
) -> EmptyArm:
    """``fit`` is that of the calibration, ``bare`` the reading of the rig before the arm was put on.

    Computed and read moment are taken as independent; gravity is in both, and its share in either is small.
    """
    zeros = _first_zeros(steps)
    own = Lever(arm, site_of(calibration)).own_nm(zeros[0].angle_deg)
    computed = None if own is None else calibration.sign * own
    read = None if bare is None else _read(zeros, fit, bare)
    return EmptyArm(
        computed=None if computed is None else Moment.of(computed),
        read=None if read is None else Moment.of(read),
        difference=None if computed is None or read is None else Moment.of(read - computed),
        not_held=(
            *(("what a new mounting does to the zero",) if len(zeros) < 2 else ()),
            *(("what the preloads do to it",) if fit.hysteresis_nm is None else ()),
        ),
    )


def _first_zeros(steps: Sequence[LoadStep]) -> list[LoadStep]:
    """The first zero of each mounting."""
    first: dict[int, LoadStep] = {}
    for step in sorted(steps, key=lambda step: step.number):
        if step.branch == "zero":
            first.setdefault(step.mounting, step)
    return list(first.values())


def _read(zeros: Sequence[LoadStep], fit: LineFit, bare: Zero) -> Any:
    """The zero with the arm on less that of the bare rig, by the line.

    The zero changes from one mounting to the next; the bare rig is one more beside the mean of the others.
    And the bare rig was read before the preloads: they leave its zero at the other end of the loop, up to the
    largest distance of falling from rising readings away (U-shaped, to either side).
    """
    line = fit.line
    count = len(zeros)
    mean = math.fsum(zero.mean_counts for zero in zeros) / count
    noise = math.sqrt(
        bare.sd_counts**2 / bare.samples
        + math.fsum(zero.sd_counts**2 / zero.samples for zero in zeros) / count**2
    )
    counts = ureal(mean - bare.mean_counts, noise)
    if count > 1:
        spread = math.sqrt(math.fsum((zero.mean_counts - mean) ** 2 for zero in zeros) / (count - 1))
        counts = counts + ureal(0.0, spread * math.sqrt(1.0 + 1.0 / count), df=count - 1)
    loop = ureal(0.0, (fit.hysteresis_nm or 0.0) / math.sqrt(2.0))
    return counts / ureal(line.counts_per_nm, abs(line.counts_per_nm) * line.u_relative, df=line.dof) + loop
