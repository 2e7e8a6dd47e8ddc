"""Calibrations out of the archive, and the line that holds for a run."""

from __future__ import annotations

from anviltrace.archive.archive import Archive
from anviltrace.calibration.choose import Candidate, choose
from anviltrace.calibration.line import LineFit
from anviltrace.errors import ArchiveError
from anviltrace.records import Arm, Calibration, LoadStep, Mass, Session, Settings


def candidate(archive: Archive, calibration: Calibration) -> Candidate:
    """A calibration with everything its line is computed from."""
    steps = archive.all(LoadStep, calibration_id=calibration.id)
    mass_ids = {mass_id for step in steps for mass_id in step.mass_ids}
    return Candidate(
        calibration=calibration,
        rig_id=archive.get(Session, calibration.session_id).rig_id,
        settings=archive.get(Settings, calibration.settings_id),
        steps=tuple(steps),
        masses={mass_id: archive.get(Mass, mass_id) for mass_id in mass_ids},
        arm=archive.get(Arm, calibration.arm_id),
    )


def candidates(archive: Archive) -> list[Candidate]:
    """All calibrations in the archive, in order of time."""
    return [candidate(archive, calibration) for calibration in archive.all(Calibration)]


def find_calibration(archive: Archive, beginning: str) -> Calibration:
    """The calibration whose id begins with ``beginning``; raises ArchiveError when none or several do."""
    found = [one for one in archive.all(Calibration) if one.id.startswith(beginning.lower())]
    if not found:
        raise ArchiveError(
            f"{archive.path} has no calibration {beginning}: `anviltrace calibration list` shows them"
        )
    if len(found) > 1:
        raise ArchiveError(f"{len(found)} calibrations begin with {beginning!r}: give more digits of the id")
    return found[0]


def line_for(archive: Archive, sign: int, rig_id: str, settings: Settings) -> LineFit | str:
    """The line for torque of this sign on this rig with these settings, or the reason why there is none."""
    return choose(candidates(archive), sign, rig_id, settings)
