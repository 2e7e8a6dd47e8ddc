"""What a report is made of."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from functools import cached_property

from anviltrace.calibration.line import LineFit
from anviltrace.calibration.shunt import Shunted
from anviltrace.compare.claims import ClaimCheck, check_claims
from anviltrace.compare.groups import Group, group_runs
from anviltrace.compare.recalibrated import Recalibrated
from anviltrace.compare.summary import Summary, summarise
from anviltrace.metrics.results import RunResult
from anviltrace.publish.curves import Curve
from anviltrace.publish.words import Shower
from anviltrace.records import Arm, Calibration, Claim, Mass
from anviltrace.units import TorqueUnit


@dataclass(frozen=True, slots=True)
class CalibrationUsed:
    """A calibration that results rest on: facts, and the line computed from them.

    ``shunts`` begins with its own last shunt reading, where there is one, and goes on with those of the
    sessions of the results.
    """

    calibration: Calibration
    arm: Arm
    masses: tuple[Mass, ...]
    fit: LineFit
    shunts: tuple[Shunted, ...] = ()


@dataclass(frozen=True, eq=False)
class Material:
    """Results and curves of runs, claims and calibrations: all that the reports below are written from.

    ``curves`` holds, by run id, the curves of the kept runs at least; ``recalibrated`` the kept runs that
    take a calibration made after them although an earlier one held.
    """

    title: str
    results: tuple[RunResult, ...]
    curves: Mapping[str, Curve]
    claims: tuple[Claim, ...] = ()
    calibrations: tuple[CalibrationUsed, ...] = ()
    unit: TorqueUnit = TorqueUnit.NM
    recalibrated: tuple[Recalibrated, ...] = ()

    @property
    def shower(self) -> Shower:
        """Writes numbers in the unit of the report."""
        return Shower(self.unit)

    @cached_property
    def groups(self) -> tuple[Group, ...]:
        """The runs by condition, in order of time."""
        return tuple(group_runs(self.results))

    @cached_property
    def compared(self) -> tuple[Group, ...]:
        """The conditions with a kept run: those that tables and charts show."""
        return tuple(group for group in self.groups if group.kept)

    @cached_property
    def summaries(self) -> tuple[tuple[Summary, ...], ...]:
        """The metrics of each condition compared, in the same order."""
        return tuple(tuple(summarise(group)) for group in self.compared)

    @cached_property
    def checks(self) -> tuple[ClaimCheck, ...]:
        """Claims beside measurements."""
        return tuple(check_claims(self.claims, self.compared))

    def drawn(self) -> Iterator[tuple[int, Group, RunResult, Curve]]:
        """Every kept run that has a curve, with the number of its condition."""
        for number, group in enumerate(self.compared):
            for result in group.kept:
                curve = self.curves.get(result.context.run.id)
                if curve is not None:
                    yield number, group, result, curve


def scaled(curve: Curve, unit: TorqueUnit) -> tuple[float, str]:
    """Factor and unit to show a curve in."""
    return unit.shown(1.0, curve.unit)
