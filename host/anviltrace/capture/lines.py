"""Calibrations out of the archive, and the line that holds for a run."""

from __future__ import annotations

from anviltrace.archive.archive import Archive
from anviltrace.calibration.choose import Candidate, choose
from anviltrace.calibration.course import FULL, read_outline
from anviltrace.calibration.line import LineFit
from anviltrace.calibration.secondarm import Side
from anviltrace.capture.barezero import bare_before
from anviltrace.errors import ArchiveError
from anviltrace.records import Arm, Calibration, LoadStep, Mass, Session, Settings


def kept_steps(archive: Archive, calibration_id: str) -> list[LoadStep]:
    """The load steps of a calibration in order of time, without those whose run was discarded.

    The last decision about a run holds, as for measurements.
    """
    steps = archive.all(LoadStep, calibration_id=calibration_id)
    return [step for step in steps if not _discarded(archive, step.run_id)]


def _discarded(archive: Archive, run_id: str) -> bool:
    decisions = archive.decisions(run_id)
    return bool(decisions) and decisions[-1].verdict == "discard"


def candidate(archive: Archive, calibration: Calibration) -> Candidate:
    """A calibration with everything its line is computed from."""
    steps = kept_steps(archive, calibration.id)
    mass_ids = {mass_id for step in steps for mass_id in step.mass_ids}
    return Candidate(
        calibration=calibration,
        rig_id=archive.get(Session, calibration.session_id).rig_id,
        settings=archive.get(Settings, calibration.settings_id),
        steps=tuple(steps),
        masses={mass_id: archive.get(Mass, mass_id) for mass_id in mass_ids},
        arm=archive.get(Arm, calibration.arm_id),
        side=_side(archive, calibration),
        bare=bare_before(archive, calibration, steps),
    )


def _side(archive: Archive, calibration: Calibration) -> Side | None:
    """The finished series with a second arm that belongs to a full course."""
    outline = read_outline(calibration.course)
    if outline is None or outline.name != FULL:
        return None
    for one in archive.all(Calibration, session_id=calibration.session_id):
        side = read_outline(one.course)
        if side is not None and side.side_of == calibration.id:
            found = candidate(archive, one)
            finished = not found.why_unfinished
            return Side(one, found.steps, found.masses, found.arm) if finished else None
    return None


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


def find_unfinished(archive: Archive, beginning: str = "") -> Calibration:
    """The unfinished calibration whose id begins like this: the newest, the first arm's before the second's.

    Raises ArchiveError when there is none.
    """
    for one in _newest_first(archive.all(Calibration)):
        if one.id.startswith(beginning.lower()) and candidate(archive, one).why_unfinished:
            return one
    which = f"calibration {beginning}" if beginning else "calibration"
    raise ArchiveError(
        f"{archive.path} has no unfinished {which}: `anviltrace calibration list` shows those there are"
    )


def _newest_first(calibrations: list[Calibration]) -> list[Calibration]:
    """A second arm's series comes after the calibration it belongs to."""
    at = {one.id: one.taken_at for one in calibrations}

    def age(one: Calibration) -> tuple[str, bool]:
        outline = read_outline(one.course)
        side_of = "" if outline is None else outline.side_of
        return at.get(side_of, one.taken_at), not side_of

    return sorted(calibrations, key=age, reverse=True)


def line_for(archive: Archive, sign: int, rig_id: str, settings: Settings) -> LineFit | str:
    """The line for torque of this sign on this rig with these settings, or the reason why there is none."""
    return choose(candidates(archive), sign, rig_id, settings)
