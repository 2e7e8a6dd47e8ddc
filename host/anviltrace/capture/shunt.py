"""Records a shunt check: a reading, another with a resistor across an arm of the bridge, and one without."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Protocol

from anviltrace.archive.archive import Archive
from anviltrace.calibration.shunt import refuse_beyond
from anviltrace.calibration.stability import Gate
from anviltrace.capture.recorder import Recorder
from anviltrace.capture.shuntreadings import shunted
from anviltrace.capture.threereadings import ThreeReadings, Told
from anviltrace.errors import CalibrationError
from anviltrace.records import Settings, Shunt, ShuntReading, new_id, now_utc

WAIT_S = 1.0
"""A resistor does not swing: waits of the weights file beyond this are for weights."""
_ADVICE = "leave rig and wires alone, see that the resistor's leads sit firmly, then take it anew"
_SHOWS = 5.0
"""A resistor that makes less than so many standard uncertainties of the reading was not laid on."""


class ShuntHand(Protocol):
    """Whoever lays the resistor on. Each call returns when the thing is done and hands are off."""

    def lay(self, shunt: Shunt) -> None:
        """Lay the resistor across the arm of the bridge."""

    def take_off(self, shunt: Shunt) -> None:
        """Take it off."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ShuntTask:
    """Which resistor is to be laid on. ``calibration_id`` is None for a reading of a session."""

    session_id: str
    settings: Settings
    shunt: Shunt
    gate: Gate
    calibration_id: str | None = None
    software_version: str = ""
    note: str = ""


def record_shunt(
    recorder: Recorder, archive: Archive, task: ShuntTask, hand: ShuntHand, told: Told
) -> ShuntReading:
    """Read without, with and without the resistor, and keep it; ``told`` hears which reading comes.

    The resistor comes off whatever happens while it is on. Every recording is kept, but a check that is
    broken off, or in which the resistor shows nothing, leaves no entry.

    Raises CalibrationError when the converter cannot show it (before anything is read), a reading does not
    become steady or the resistor shows nothing, and whatever :meth:`Recorder.steady` does.
    """
    refuse_beyond(task.shunt, task.settings)
    gate = replace(task.gate, wait_s=min(task.gate.wait_s, WAIT_S))
    reader = ThreeReadings(recorder, archive, task.settings, gate, told, _ADVICE)
    reader.read("without the shunt")
    hand.lay(task.shunt)
    try:
        reader.read("with the shunt")
    finally:
        hand.take_off(task.shunt)
    reader.read("without it again")
    return _keep(archive, task, reader)


def _keep(archive: Archive, task: ShuntTask, reader: ThreeReadings) -> ShuntReading:
    (before_id, before), (shunt_id, shunt), (after_id, after) = reader.taken
    made = ShuntReading(
        id=new_id(),
        session_id=task.session_id,
        settings_id=task.settings.id,
        shunt_id=task.shunt.id,
        calibration_id=task.calibration_id,
        taken_at=now_utc(),
        before_run_id=before_id,
        shunt_run_id=shunt_id,
        after_run_id=after_id,
        before_counts=before.mean_counts,
        shunt_counts=shunt.mean_counts,
        after_counts=after.mean_counts,
        sd_counts=reader.sd_counts,
        samples=shunt.samples,
        software_version=task.software_version,
        note=task.note,
    )
    archive.put(task.shunt)
    one = shunted(archive, made)
    if abs(one.net_counts) <= max(1.0, _SHOWS * one.net_u_counts):
        raise CalibrationError(
            f"the shunt {task.shunt.name} made {one.net_counts:+.1f} ± {2.0 * one.net_u_counts:.1f} counts: "
            "that is nothing; lay it across one arm of the bridge, from supply to signal, and take it anew"
        )
    archive.put(made)
    return made
