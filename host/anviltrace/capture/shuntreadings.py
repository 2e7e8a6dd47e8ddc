"""Shunt readings out of the archive: of a calibration, since it, and all of one kind.

One whose run with the resistor on was discarded is on record, and compared with nothing.
"""

from __future__ import annotations

from collections.abc import Collection
from typing import Any

from anviltrace.archive.archive import Archive
from anviltrace.calibration.shunt import Moved, Shunted, moved_since, worst_move
from anviltrace.calibration.triggers import why_shunt_moved
from anviltrace.errors import ArchiveError
from anviltrace.records import Decision, Session, Settings, Shunt, ShuntReading


def shunted(archive: Archive, reading: ShuntReading) -> Shunted:
    """A shunt reading with everything its result is computed from."""
    return Shunted(
        reading=reading,
        rig_id=archive.get(Session, reading.session_id).rig_id,
        settings=archive.get(Settings, reading.settings_id),
        shunt=archive.get(Shunt, reading.shunt_id),
    )


def why_left_out(archive: Archive, reading: ShuntReading) -> Decision | None:
    """The decision that discarded a reading; None where the last one keeps it, or there is none."""
    decisions = archive.decisions(reading.shunt_run_id)
    return decisions[-1] if decisions and decisions[-1].verdict == "discard" else None


def kept_shunts(archive: Archive, **equal: Any) -> list[Shunted]:
    """All readings that were not discarded and whose fields equal those given, in order of time."""
    found = archive.all(ShuntReading, **equal)
    return [shunted(archive, reading) for reading in found if why_left_out(archive, reading) is None]


def find_shunt_reading(archive: Archive, beginning: str) -> ShuntReading:
    """The reading whose id begins with ``beginning``; raises ArchiveError when none or several do."""
    found = [one for one in archive.all(ShuntReading) if one.id.startswith(beginning.lower())]
    if len(found) != 1:
        raise ArchiveError(
            f"{len(found)} shunt readings of {archive.path} begin with {beginning!r}, one was wanted: "
            "`anviltrace calibration shunts` shows them"
        )
    return found[0]


def taken_with(archive: Archive, calibration_id: str) -> list[Shunted]:
    """The shunt readings taken with a calibration, in order of time."""
    return kept_shunts(archive, calibration_id=calibration_id)


def history(archive: Archive, latest: Shunted) -> list[Shunted]:
    """All readings of one kind with ``latest`` (rig, shunt, settings), in order of time, up to it."""
    found = []
    for one in kept_shunts(archive, shunt_id=latest.shunt.id):
        if not latest.why_another_kind(one):
            found.append(one)
        if one.reading.id == latest.reading.id:
            break
    return found


def reference(archive: Archive, calibration_id: str) -> Shunted | None:
    """The reading of a calibration that later ones are held against: its last; None where it has none."""
    found = taken_with(archive, calibration_id)
    return found[-1] if found else None


def move_since_calibration(archive: Archive, calibration_id: str, at: str) -> str:
    """What its own readings, and the latest up to a time, say of a calibration; empty where nothing."""
    first = reference(archive, calibration_id)
    if first is None:
        return ""
    others = _others(archive, first)
    since = [one for one in others if first.reading.taken_at < one.reading.taken_at <= at]
    return why_shunt_moved(first.shunt.name, worst_move(first, [*_own(others, first), *since[-1:]]))


def move_in_session(archive: Archive, calibration_id: str, session_id: str) -> str:
    """What its own readings, and those of a session in which it is used, say of a calibration."""
    first = reference(archive, calibration_id)
    if first is None:
        return ""
    others = _others(archive, first)
    inside = [one for one in others if one.reading.session_id == session_id]
    return why_shunt_moved(first.shunt.name, worst_move(first, [*_own(others, first), *inside]))


def beside_calibration(archive: Archive, calibration_id: str, session_ids: Collection[str]) -> list[Shunted]:
    """The reading of a calibration, then those of sessions in which it is used; none where it has none."""
    first = reference(archive, calibration_id)
    if first is None:
        return []
    return [first, *(one for one in _others(archive, first) if one.reading.session_id in session_ids)]


def _others(archive: Archive, first: Shunted) -> list[Shunted]:
    """All other readings that can be compared with ``first``, in order of time."""
    found = kept_shunts(archive, shunt_id=first.shunt.id)
    return [one for one in found if one.reading.id != first.reading.id and not first.why_another_kind(one)]


def _own(others: list[Shunted], first: Shunted) -> list[Shunted]:
    """Those taken with the same calibration."""
    return [one for one in others if one.reading.calibration_id == first.reading.calibration_id]


def moves(archive: Archive, latest: Shunted) -> tuple[Moved | None, Moved | None]:
    """How far a reading moved since the one before it and since the first of its kind; None for a first."""
    *earlier, _ = history(archive, latest)
    if not earlier:
        return None, None
    return moved_since(earlier[-1], latest), moved_since(earlier[0], latest)
