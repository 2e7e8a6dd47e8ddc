"""Calibrations of one kind (rig, sign of torque, settings): how the latest differs from the one before."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from anviltrace.calibration.choose import Candidate, why_other_settings
from anviltrace.calibration.coverage import coverage_factor
from anviltrace.calibration.line import Line, LineFit
from anviltrace.calibration.shared import difference_u, in_common, sources_of_line
from anviltrace.errors import CalibrationError


@dataclass(frozen=True, slots=True)
class Change:
    """How a calibration differs from an earlier one, at ``torque_nm``; relative, 95 %.

    ``change`` is by how much of the torque the earlier line reads too high now: the state as found.
    ``expanded`` leaves out what both have in common, which ``in_common`` names.
    """

    earlier_id: str
    earlier_taken_at: str
    torque_nm: float
    change: float
    expanded: float
    in_common: tuple[str, ...]

    @property
    def en(self) -> float:
        """Magnitude of the change over its expanded uncertainty (E_n, as in ISO 13528, from memory)."""
        return abs(self.change) / self.expanded

    @property
    def agrees(self) -> bool:
        """Whether the change lies within its expanded uncertainty."""
        return abs(self.change) <= self.expanded


def of_this_kind(candidates: Sequence[Candidate], one: Candidate) -> list[Candidate]:
    """The other calibrations for the same rig, sign and settings, oldest first, valid or not.

    A series with a second arm belongs to another calibration and is none of its own.
    """
    others = (other for other in candidates if other.calibration.id != one.calibration.id)
    return sorted(
        (other for other in others if _same_kind(other, one)), key=lambda each: each.calibration.taken_at
    )


def is_latest(candidates: Sequence[Candidate], one: Candidate) -> bool:
    """Whether no later calibration of its kind gives a line: then runs take this one."""
    if one.side_of:
        return False
    later = (other for other in of_this_kind(candidates, one) if _made(other) > _made(one))
    return not any(valid(other) for other in later)


def valid(one: Candidate) -> bool:
    """Whether a calibration gives a line."""
    return _line_or_none(one) is not None


def change_since_previous(candidates: Sequence[Candidate], one: Candidate) -> Change | None:
    """How a calibration differs from the valid one of its kind before it; None where there is none.

    A series with a second arm finds nothing as it was left: its calibration was made just before.

    Raises CalibrationError when ``one`` gives no line.
    """
    fit = one.fit()
    if one.side_of:
        return None
    for other in reversed(of_this_kind(candidates, one)):
        if _made(other) < _made(one) and (earlier_fit := _line_or_none(other)) is not None:
            return compare(one, fit, other, earlier_fit)
    return None


def compare(
    now: Candidate, fit: LineFit, earlier: Candidate, earlier_fit: LineFit, torque_nm: float | None = None
) -> Change:
    """Both lines at a torque, a magnitude above zero; at the largest that hung in both unless given."""
    line, old = fit.line, earlier_fit.line
    torque_nm = torque_nm or min(line.highest_nm, old.highest_nm)
    u, old_u = (one.standard_uncertainty_nm(torque_nm) / torque_nm for one in (line, old))
    sources, old_sources = _sources(now, fit), _sources(earlier, earlier_fit)
    apart_u = difference_u(u, old_u, sources, old_sources)
    return Change(
        earlier_id=earlier.calibration.id,
        earlier_taken_at=earlier.calibration.taken_at,
        torque_nm=torque_nm,
        change=line.counts_per_nm / old.counts_per_nm - 1.0,
        expanded=coverage_factor(_degrees(apart_u, torque_nm, line, old)) * apart_u,
        in_common=tuple(name for name, _ in in_common(sources, old_sources)),
    )


def _made(one: Candidate) -> str:
    return one.calibration.taken_at


def _line_or_none(one: Candidate) -> LineFit | None:
    try:
        return one.fit()
    except CalibrationError:
        return None


def _same_kind(one: Candidate, other: Candidate) -> bool:
    same = one.rig_id == other.rig_id and one.calibration.sign == other.calibration.sign
    return same and not one.side_of and not why_other_settings(one.settings, other.settings)


def _sources(one: Candidate, fit: LineFit) -> dict[tuple[str, str], float]:
    return sources_of_line(fit, one.calibration, one.masses.values(), one.arm)


def _degrees(u: float, torque_nm: float, *lines: Line) -> float:
    """Effective degrees of freedom of a difference of lines (Welch-Satterthwaite); ``u`` is relative."""
    parts = math.fsum(
        (line.standard_uncertainty_nm(torque_nm) / torque_nm) ** 4 / line.degrees_of_freedom(torque_nm)
        for line in lines
    )
    return math.inf if parts == 0.0 else u**4 / parts
