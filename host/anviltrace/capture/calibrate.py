"""Records a calibration: joins the procedure, the recorder and the archive."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Protocol

import numpy as np

from anviltrace.archive.archive import Archive
from anviltrace.calibration.choose import why_other_settings
from anviltrace.calibration.course import SECOND_ARM, Outline, read_outline
from anviltrace.calibration.inventory import Inventory, Site
from anviltrace.calibration.ladder import Load, check_ladder
from anviltrace.calibration.lever import Lever
from anviltrace.calibration.procedure import (
    Action,
    Angle,
    Answer,
    AskAngle,
    Bare,
    Clear,
    Doubt,
    Drop,
    Failed,
    Finish,
    FitArm,
    Hang,
    Instruction,
    Keep,
    Meanwhile,
    Read,
    Reading,
    Remount,
    Restore,
    Say,
    Setup,
    Unhang,
    Void,
    Wait,
    WarmUp,
    Wish,
    check_rating,
    dead_weights,
    outline_of,
    side_ladder,
)
from anviltrace.calibration.stability import Gate, Known, Window, look_at
from anviltrace.capture.barezero import BARE, bare_zeros, compare_bare
from anviltrace.capture.lines import kept_steps, line_for
from anviltrace.capture.recorder import Recorder
from anviltrace.errors import CalibrationError
from anviltrace.records import (
    Arm,
    Calibration,
    Decision,
    LoadStep,
    Mass,
    Run,
    Session,
    Settings,
    new_id,
    now_utc,
)

Told = Callable[[Instruction], None]


class WeightHand(Protocol):
    """Whoever handles arm and weights. Each call returns when the thing is done and hands are off.

    A :class:`Wish` instead of None means that it was not done, and what is wanted first.
    """

    def warm_up(self, step: WarmUp) -> None:
        """Leave the supply of the bridge on for a while."""

    def bare(self, step: Bare) -> None:
        """Take everything off the transducer."""

    def fit_arm(self, step: FitArm) -> Wish | None:
        """Put the arm on, nothing on it."""

    def remount(self, step: Remount) -> Wish | None:
        """Take the arm off and put it on again in another position."""

    def clear(self, step: Clear) -> Wish | None:
        """Take all weights off, whatever hangs."""

    def restore(self, step: Restore) -> Wish | None:
        """See to it that exactly these weights hang."""

    def hang(self, step: Hang) -> Wish | None:
        """Lower weights onto the arm."""

    def unhang(self, step: Unhang) -> Wish | None:
        """Take weights off the arm."""

    def wait(self, step: Wait) -> None:
        """Leave everything as it is for a while."""

    def angle(self, step: AskAngle) -> float | None:
        """Measure the angle of the arm in degrees; None where nobody can."""

    def doubt(self, step: Doubt) -> Wish | None:
        """Put right what was wrong, and say whether to read again or to begin the series anew."""

    def finish(self, step: Finish) -> Wish | None:
        """Take the arm off, or leave it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Task:
    """What is to be calibrated, with what. ``sign`` is +1 for clockwise torque.

    The course is the short one unless ``outline`` says otherwise; its loads are those of the inventory.
    """

    session_id: str
    settings: Settings
    inventory: Inventory
    arm: Arm
    sign: int
    linear_to_nm: float | None = None
    software_version: str = ""
    note: str = ""
    outline: Outline | None = None

    @property
    def lever(self) -> Lever:
        """The arm at its site."""
        return Lever(self.arm, self.inventory.site)

    @property
    def setup(self) -> Setup:
        """What the procedure needs to know."""
        inventory = self.inventory
        return Setup(
            lever=self.lever,
            arm=self.arm,
            sign=self.sign,
            ladder=inventory.ladder,
            outline=self.outline or outline_of(inventory.ladder),
            preload=inventory.preload,
            manner=inventory.manner,
        )

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
            course=self.setup.outline.text,
        )


def record_calibration(
    recorder: Recorder,
    archive: Archive,
    task: Task,
    hand: WeightHand,
    told: Told | None = None,
    second_arm: Arm | None = None,
) -> Calibration:
    """Carry a new calibration through, then its series with a second arm where there is one.

    ``told`` hears every instruction before it is followed. Raises what :func:`begin_calibration` and
    :func:`go_on` raise.
    """
    parts = begin_calibration(archive, task, second_arm)
    for part, calibration in parts:
        go_on(recorder, archive, part, calibration, hand, told)
    return parts[0][1]


def begin_calibration(
    archive: Archive, task: Task, second_arm: Arm | None = None
) -> list[tuple[Task, Calibration]]:
    """Put a calibration without readings into the archive, and another for the second arm.

    Raises CalibrationError when the loads cannot be hung, or an arm does not bear them.
    """
    parts = [(task, task.record())]
    if second_arm is not None:
        side = second_arm_task(task, second_arm, parts[0][1].id)
        parts.append((side, side.record()))
    for part, _ in parts:
        check_ladder(part.inventory.ladder)
        rating_nm = part.inventory.ratings_nm.get(part.arm.name)
        check_rating(part.lever, part.arm, part.inventory.ladder, rating_nm)
    for part, calibration in parts:
        for mass in part.inventory.ladder[-1].masses:
            archive.put(mass)
        archive.put(part.arm)
        archive.put(calibration)
    return parts


def go_on(
    recorder: Recorder,
    archive: Archive,
    task: Task,
    calibration: Calibration,
    hand: WeightHand,
    told: Told | None = None,
    meanwhile: Meanwhile = Meanwhile.UNTOUCHED,
) -> None:
    """Take all readings a calibration still lacks; ``meanwhile``: what became of the rig since it stopped.

    Every reading is kept as it is taken, so that one that is stopped can go on later; until it is whole it is
    not chosen for a run. A reading that is repeated keeps its load step, and a decision discards its run.

    Raises CalibrationError when a reading cannot be used and the hand does not know what to do about it, and
    whatever :meth:`Recorder.steady` raises.
    """
    course = dead_weights(task.setup, kept_steps(archive, calibration.id), meanwhile)
    reader = _Reader(recorder, archive, task, calibration.id)
    answer: Answer = None
    while True:
        try:
            instruction = course.send(answer)
        except StopIteration:
            return
        if told is not None:
            told(instruction)
        answer = _follow(instruction, hand, reader, told)


def resumed_task(archive: Archive, calibration: Calibration, task: Task) -> Task:
    """``task`` with the arm, loads and site that the calibration began with, whatever its files say now.

    Raises CalibrationError when it does not say what its course is, or the rig, the board or the settings of
    the converter are not those it was begun with: a count would mean something else.
    """
    outline = read_outline(calibration.course)
    if outline is None:
        raise CalibrationError(f"calibration {calibration.id[:8]} does not say what it lacks: record it anew")
    begun, now = (archive.get(Session, one) for one in (calibration.session_id, task.session_id))
    reason = why_other_settings(archive.get(Settings, calibration.settings_id), task.settings)
    if begun.rig_id != now.rig_id:
        reason = "it was made on another rig"
    elif begun.board_id != now.board_id:
        reason = "it was made with another board"
    if reason:
        raise CalibrationError(
            f"calibration {calibration.id[:8]} cannot go on: {reason}; set it as it was, or begin anew"
        )
    masses = {mass_id: archive.get(Mass, mass_id) for mass_id in outline.loads[-1]}
    ladder = tuple(
        Load(tuple(masses[mass_id] for mass_id in ids), angle_deg)
        for ids, angle_deg in zip(outline.loads, outline.angles_deg, strict=True)
    )
    site = Site(
        calibration.gravity_m_per_s2,
        calibration.gravity_u_m_per_s2,
        calibration.gravity_source,
        calibration.air_density_kg_per_m3,
        calibration.air_density_u_kg_per_m3,
    )
    return replace(
        task,
        inventory=replace(task.inventory, ladder=ladder, site=site),
        arm=archive.get(Arm, calibration.arm_id),
        sign=calibration.sign,
        outline=outline,
    )


def second_arm_task(task: Task, arm: Arm, calibration_id: str) -> Task:
    """The series with a second arm that goes with a full calibration: a calibration of its own.

    It hangs the same loads as far as they stay within 1.1 times the torque of the first arm, so that they can
    be held against the line. Raises CalibrationError when these are less than two, or the arm is the same.
    """
    if arm.id == task.arm.id:
        raise CalibrationError(f"the second arm is {arm.name} as well: name another, of another length")
    ladder = side_ladder(task.lever, Lever(arm, task.inventory.site), arm, task.inventory.ladder)
    if len(ladder) < 2:
        raise CalibrationError(
            f"with {arm.name} {len(ladder)} load stays within the torque of {task.arm.name}: two are needed; "
            "calibrate with the longer arm, and take the shorter as the second"
        )
    return replace(
        task,
        inventory=replace(task.inventory, ladder=ladder),
        arm=arm,
        outline=outline_of(ladder, SECOND_ARM, side_of=calibration_id),
        note=f"second arm beside calibration {calibration_id[:8]}",
    )


def _follow(instruction: Instruction, hand: WeightHand, reader: _Reader, told: Told | None) -> Answer:
    match instruction:
        case Read():
            return reader.read(instruction)
        case Keep():
            reader.keep(instruction.asked)
        case Drop():
            reader.drop(instruction.reason)
        case Void():
            reader.void(instruction.series, instruction.reason)
        case Doubt():
            reader.reject(instruction.reason)
            return hand.doubt(instruction)
        case Bare():
            hand.bare(instruction)
            said = Say(reader.bare())
            if told is not None:
                told(said)
        case Say():
            pass
        case _:
            return _handle(instruction, hand)
    return None


def _handle(instruction: Action | WarmUp | Wait | AskAngle, hand: WeightHand) -> Answer:
    match instruction:
        case FitArm():
            return hand.fit_arm(instruction)
        case Remount():
            return hand.remount(instruction)
        case Clear():
            return hand.clear(instruction)
        case Restore():
            return hand.restore(instruction)
        case Hang():
            return hand.hang(instruction)
        case Unhang():
            return hand.unhang(instruction)
        case Finish():
            return hand.finish(instruction)
        case AskAngle():
            angle_deg = hand.angle(instruction)
            return None if angle_deg is None else Angle(angle_deg)
        case WarmUp():
            hand.warm_up(instruction)
        case Wait():
            hand.wait(instruction)
    return None


class _Reader:
    """Takes the readings of one calibration and keeps them as load steps."""

    def __init__(self, recorder: Recorder, archive: Archive, task: Task, calibration_id: str) -> None:
        self._recorder, self._archive, self._task = recorder, archive, task
        self._calibration_id = calibration_id
        self._gate: Gate = task.inventory.gate
        self._run: Run | None = None
        self._window: Window | None = None
        self._known = Known()
        for step in kept_steps(archive, calibration_id):
            self._learn(step.mean_counts, step.sd_counts)

    def read(self, asked: Read) -> Reading | Failed:
        """Record until steady; nothing is kept yet but the counts."""
        self._run, unsteady = self._recorder.steady(self._gate, self._known)
        if unsteady:
            return Failed(
                f"reading {asked.number} is not steady after {self._gate.longest_s:g} s: {unsteady}; let the "
                "weights hang still, keep draughts and hands off"
            )
        try:
            self._window = last_window(
                self._archive, self._run, self._task.settings, self._gate, f"reading {asked.number}"
            )
        except CalibrationError as error:
            return Failed(str(error))
        return Reading(self._window.mean_counts)

    def keep(self, asked: Read) -> None:
        """Make the reading just taken a load step."""
        assert self._run is not None
        assert self._window is not None
        window = self._window
        taken = self._archive.all(LoadStep, calibration_id=self._calibration_id)
        step = LoadStep(
            id=new_id(),
            calibration_id=self._calibration_id,
            number=1 + max((one.number for one in taken), default=0),
            series=asked.series,
            mounting=asked.mounting,
            branch=asked.branch,
            run_id=self._run.id,
            mass_ids=tuple(mass.id for mass in asked.load.masses),
            angle_deg=asked.angle_deg,
            mean_counts=window.mean_counts,
            sd_counts=window.sd_counts,
            drift_counts=window.drift_counts,
            samples=window.samples,
            taken_at=now_utc(),
        )
        self._archive.put(step)
        self._learn(window.mean_counts, window.sd_counts)

    def reject(self, reason: str) -> None:
        """The reading just taken becomes no load step."""
        assert self._run is not None
        self._discard(self._run.id, reason)

    def drop(self, reason: str) -> None:
        """Take the load step kept last out of the line."""
        self._discard(kept_steps(self._archive, self._calibration_id)[-1].run_id, reason)

    def void(self, series: Sequence[int], reason: str) -> None:
        """Take the load steps of series out of the line, latest first: what is left is always a beginning."""
        for step in reversed(kept_steps(self._archive, self._calibration_id)):
            if step.series in series:
                self._discard(step.run_id, reason)

    def bare(self) -> str:
        """Read the bare rig, and say how that compares with before."""
        earlier = bare_zeros(self._archive, self._task.session_id, self._task.settings)
        zero = self._recorder.zero(self._gate.window_s, joint_state=BARE)
        session = self._archive.get(Session, self._task.session_id)
        line = line_for(self._archive, self._task.sign, session.rig_id, self._task.settings)
        span = None if isinstance(line, str) else line.line.highest_nm * line.line.counts_per_nm
        return compare_bare(zero, earlier, span, self._task.settings.mv_per_v_per_count)

    def _discard(self, run_id: str, reason: str) -> None:
        self._archive.put(Decision(new_id(), run_id, "discard", reason))

    def _learn(self, mean_counts: float, sd_counts: float) -> None:
        known = self._known
        if known.zero_counts is None:
            self._known = Known(mean_counts, sd_counts, 0.0)
        else:
            span = max(known.span_counts, abs(mean_counts - known.zero_counts))
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
