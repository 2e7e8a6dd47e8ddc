"""Records a calibration: joins the procedure, the recorder and the archive."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Protocol

import numpy as np

from anviltrace.archive.archive import Archive
from anviltrace.calibration.inventory import Inventory, Site
from anviltrace.calibration.lever import Lever
from anviltrace.calibration.procedure import (
    FitArm,
    Hang,
    Instruction,
    Read,
    Reading,
    Unhang,
    Wait,
    dead_weights,
)
from anviltrace.calibration.stability import Gate, Known, Window, look_at
from anviltrace.capture.recorder import Recorder
from anviltrace.errors import CalibrationError
from anviltrace.records import Arm, Calibration, LoadStep, Run, Settings, new_id, now_utc

Told = Callable[[Instruction], None]


class WeightHand(Protocol):
    """Whoever handles arm and weights. Each call returns when the thing is done and hands are off."""

    def fit_arm(self, step: FitArm) -> None:
        """Put the arm on, nothing on it."""

    def hang(self, step: Hang) -> None:
        """Lower weights onto the arm."""

    def unhang(self, step: Unhang) -> None:
        """Take weights off the arm."""

    def wait(self, step: Wait) -> None:
        """Leave everything as it is for a while."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Task:
    """What is to be calibrated, with what. ``sign`` is +1 for clockwise torque."""

    session_id: str
    settings: Settings
    inventory: Inventory
    arm: Arm
    sign: int
    linear_to_nm: float | None = None
    software_version: str = ""
    note: str = ""

    def record(self) -> Calibration:
        """A new calibration record of this task, taken now."""
        site: Site = self.inventory.site
        return Calibration(
            id=new_id(),
            session_id=self.session_id,
            settings_id=self.settings.id,
            arm_id=self.arm.id,
            sign=self.sign,
            taken_at=now_utc(),
            gravity_m_per_s2=site.gravity_m_per_s2,
            gravity_u_m_per_s2=site.gravity_u_m_per_s2,
            gravity_source=site.gravity_source,
            air_density_kg_per_m3=site.air_density_kg_per_m3,
            air_density_u_kg_per_m3=site.air_density_u_kg_per_m3,
            linear_to_nm=self.linear_to_nm,
            software_version=self.software_version,
            note=self.note,
            valid_days=self.inventory.valid_days,
        )


def record_calibration(
    recorder: Recorder, archive: Archive, task: Task, hand: WeightHand, told: Told | None = None
) -> Calibration:
    """Carry a calibration through; ``told`` hears every instruction before it is followed.

    Every reading is kept as it is taken, so a calibration that is broken off leaves its counts, and is not
    chosen for a run because its closing zero is missing.

    Raises CalibrationError when the loads cannot be hung, a reading does not become steady or does not go
    with the others, and whatever :meth:`Recorder.steady` raises.
    """
    ladder = task.inventory.ladder
    lever = Lever(task.arm, task.inventory.site)
    course = dead_weights(lever, task.arm, ladder, task.sign, task.inventory.preload)
    calibration = task.record()
    for mass in {mass.id: mass for load in ladder for mass in load.masses}.values():
        archive.put(mass)
    archive.put(task.arm)
    archive.put(calibration)
    reader = _Reader(recorder, archive, task, calibration.id)
    answer: Reading | None = None
    while True:
        try:
            instruction = course.send(answer)
        except StopIteration:
            return calibration
        if told is not None:
            told(instruction)
        answer = _follow(instruction, hand, reader)


def _follow(instruction: Instruction, hand: WeightHand, reader: _Reader) -> Reading | None:
    match instruction:
        case FitArm():
            hand.fit_arm(instruction)
        case Hang():
            hand.hang(instruction)
        case Unhang():
            hand.unhang(instruction)
        case Wait():
            hand.wait(instruction)
        case Read():
            return Reading(reader.read(instruction).mean_counts)
    return None


class _Reader:
    """Takes the readings of one calibration and keeps them as load steps."""

    def __init__(self, recorder: Recorder, archive: Archive, task: Task, calibration_id: str) -> None:
        self._recorder, self._archive, self._task = recorder, archive, task
        self._calibration_id = calibration_id
        self._gate: Gate = task.inventory.gate
        self._known = Known()

    def read(self, asked: Read) -> LoadStep:
        """Record until steady, and keep the reading; raises CalibrationError when it cannot be taken."""
        run, unsteady = self._recorder.steady(self._gate, self._known)
        if unsteady:
            raise CalibrationError(
                f"reading {asked.number} is not steady after {self._gate.longest_s:g} s: {unsteady}; let the "
                "weights hang still, keep draughts and hands off, then record the calibration anew"
            )
        window = last_window(self._archive, run, self._task.settings, self._gate, f"reading {asked.number}")
        step = LoadStep(
            id=new_id(),
            calibration_id=self._calibration_id,
            number=asked.number,
            series=1,
            mounting=1,
            branch=asked.branch,
            run_id=run.id,
            mass_ids=tuple(mass.id for mass in asked.load.masses),
            angle_deg=asked.angle_deg,
            mean_counts=window.mean_counts,
            sd_counts=window.sd_counts,
            drift_counts=window.drift_counts,
            samples=window.samples,
            taken_at=now_utc(),
        )
        self._archive.put(step)
        self._learn(window)
        return step

    def _learn(self, window: Window) -> None:
        known = self._known
        if known.zero_counts is None:
            self._known = Known(window.mean_counts, window.sd_counts, 0.0)
        else:
            span = max(known.span_counts, abs(window.mean_counts - known.zero_counts))
            self._known = Known(known.zero_counts, known.noise_counts, span)


def last_window(archive: Archive, run: Run, settings: Settings, gate: Gate, reading: str) -> Window:
    """The last window of a recording: its counts are in the archive, so the reading can be redone.

    Raises CalibrationError, naming the ``reading``, when samples are missing from it or out of range.
    """
    pieces = archive.pieces(run.id)
    counts = pieces[-1][1][-gate.samples(settings.rate_hz) :] if pieces else np.empty(0, np.int32)
    if len(counts) < gate.samples(settings.rate_hz):
        raise CalibrationError(f"samples were lost in {reading}: begin anew, from the zero")
    if ((counts <= settings.saturation_low) | (counts >= settings.saturation_high)).any():
        raise CalibrationError(
            f"{reading} is beyond the converter's range: take a lower gain, for runs as well"
        )
    return look_at(counts)
