"""What happened to a rig since a calibration, as far as the archive tells, and what to think of it."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence

from anviltrace.archive.archive import Archive
from anviltrace.calibration.choose import Candidate, why_other_settings
from anviltrace.calibration.line import Line
from anviltrace.calibration.triggers import why_old, why_other_cable, why_overloaded, why_zero_jumped
from anviltrace.capture.shuntreadings import move_since_calibration
from anviltrace.errors import DamageError
from anviltrace.records import Run, RunKind, Session, Settings, Zero

Extremes = tuple[int, int]
"""Smallest and largest count of a run."""


def doubts(archive: Archive, one: Candidate, at: str) -> list[str]:
    """What casts doubt on a calibration at a time: age, another cable, a zero jump, shunt or overload.

    Runs and zeros of the same rig with the same settings count. All samples since are read.

    Raises CalibrationError when it gives no line.
    """
    overloaded = overload_in(archive, one, [run for run in _runs_since(archive, one) if run.started_at <= at])
    return [*quick_doubts(archive, one, at), *([overloaded] if overloaded else [])]


def quick_doubts(archive: Archive, one: Candidate, at: str) -> list[str]:
    """The same without the overload, for which samples have to be read."""
    zeros = [zero.mean_counts for zero in zeros_since(archive, one) if zero.taken_at <= at]
    cable = why_other_cable(archive.get(Session, one.calibration.session_id).cable, _cable(archive, one, at))
    shunt = move_since_calibration(archive, one.calibration.id, at)
    found = why_old(one.calibration, at), cable, why_zero_jumped(one.fit().line, zeros), shunt
    return [reason for reason in found if reason]


def _cable(archive: Archive, one: Candidate, at: str) -> str:
    """The cable of the latest sitting with this rig that states one; empty where none does."""
    sittings = archive.all(Session, rig_id=one.rig_id)
    stated = [sitting.cable for sitting in sittings if sitting.cable and sitting.started_at <= at]
    return stated[-1] if stated else ""


def overload_in(archive: Archive, one: Candidate, runs: Sequence[Run]) -> str:
    """Whether more torque than the rig is known to bear was recorded in these runs; empty when it was not.

    Raises CalibrationError when the calibration gives no line.
    """
    measured = (run for run in runs if run.kind is RunKind.MEASUREMENT)
    return overload_among(one, one.fit().line, [extremes(archive, run) for run in measured])


def overload_among(one: Candidate, line: Line, found: Iterable[Extremes | None]) -> str:
    """The same from what :func:`extremes` found in runs; ``line`` is that of the calibration."""
    zeros = [step.mean_counts for step in one.steps if step.branch == "zero"]
    zero_counts = math.fsum(zeros) / len(zeros)
    highest = max((abs(end - zero_counts) for ends in found if ends for end in ends), default=0.0)
    return why_overloaded(one.calibration, line, highest)


def extremes(archive: Archive, run: Run) -> Extremes | None:
    """Smallest and largest count of a run; None where it holds none.

    None for a damaged one, too: that is for `archive verify` to name.
    """
    try:
        pieces = [counts for _, counts in archive.pieces(run.id) if len(counts)]
    except DamageError:
        return None
    if not pieces:
        return None
    return min(int(counts.min()) for counts in pieces), max(int(counts.max()) for counts in pieces)


def measured_since(archive: Archive, one: Candidate) -> list[Run]:
    """Runs of tools since a calibration, which it holds for, in order of time."""
    return [run for run in _runs_since(archive, one) if run.kind is RunKind.MEASUREMENT]


def zeros_since(archive: Archive, one: Candidate) -> list[Zero]:
    """Zero readings with a slack joint since a calibration, which it holds for, in order of time."""
    ids = {run.id for run in _runs_since(archive, one) if run.kind is RunKind.ZERO}
    return [zero for zero in archive.all(Zero) if zero.run_id in ids and zero.joint_state == "slack"]


def _runs_since(archive: Archive, one: Candidate) -> list[Run]:
    sessions = {session.id for session in archive.all(Session, rig_id=one.rig_id)}
    fitting = {each.id for each in archive.all(Settings) if not why_other_settings(one.settings, each)}
    return [
        run
        for run in archive.all(Run)
        if run.session_id in sessions
        and run.settings_id in fitting
        and run.started_at >= one.calibration.taken_at
    ]
