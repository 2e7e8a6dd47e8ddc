"""Records a calibration: joins the procedure, the recorder and the archive."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

from anviltrace.archive.archive import Archive
from anviltrace.calibration.choose import why_other_settings
from anviltrace.calibration.course import SECOND_ARM, read_outline
from anviltrace.calibration.instructions import (
    Answer,
    Bare,
    Doubt,
    Drop,
    Instruction,
    Keep,
    Meanwhile,
    Read,
    Say,
    Void,
)
from anviltrace.calibration.inventory import Site
from anviltrace.calibration.ladder import Load, check_ladder
from anviltrace.calibration.lever import Lever
from anviltrace.calibration.procedure import check_rating, dead_weights, outline_of, side_ladder
from anviltrace.capture.lines import kept_steps
from anviltrace.capture.loadreader import LoadReader
from anviltrace.capture.recorder import Recorder
from anviltrace.capture.task import Task
from anviltrace.capture.weighthand import WeightHand, handle
from anviltrace.errors import CalibrationError
from anviltrace.records import (
    Arm,
    Calibration,
    Mass,
    Session,
    Settings,
)

Told = Callable[[Instruction], None]


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
    before_first: Callable[[], None] | None = None,
) -> None:
    """Take all readings a calibration still lacks; ``meanwhile``: what became of the rig since it stopped.

    ``before_first`` is done once, when everything is ready for the first of them.
    Every reading is kept as it is taken, so that one that is stopped can go on later; until it is whole it is
    not chosen for a run. A reading that is repeated keeps its load step, and a decision discards its run.

    Raises CalibrationError when a reading cannot be used and the hand does not know what to do about it, and
    whatever :meth:`Recorder.steady` raises.
    """
    course = dead_weights(task.setup, kept_steps(archive, calibration.id), meanwhile)
    reader = LoadReader(recorder, archive, task, calibration.id)
    answer: Answer = None
    while True:
        try:
            instruction = course.send(answer)
        except StopIteration:
            return
        if before_first is not None and isinstance(instruction, Read):
            before_first()
            before_first = None
        if told is not None:
            told(instruction)
        answer = _follow(instruction, hand, reader, told)


def resumed_task(archive: Archive, calibration: Calibration, task: Task) -> Task:
    """``task`` with the arm, loads and site that the calibration began with, whatever its files say now.

    Raises CalibrationError when it does not say what its course is, or the rig, the board, the cable or the
    settings of the converter are not those it was begun with: a count would mean something else.
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
    elif begun.cable and now.cable and begun.cable != now.cable:
        reason = f"it was begun with the cable {begun.cable!r}, and this is {now.cable!r}"
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


def _follow(instruction: Instruction, hand: WeightHand, reader: LoadReader, told: Told | None) -> Answer:
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
            return handle(instruction, hand)
    return None
