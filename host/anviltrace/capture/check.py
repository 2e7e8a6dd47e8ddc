"""Records a check with a known weight: a zero, the weight, a zero; and finds those of its kind before it."""

from __future__ import annotations

from dataclasses import dataclass

from GTC import value

from anviltrace.archive.archive import Archive
from anviltrace.calibration.check import Checked
from anviltrace.calibration.instructions import FitArm, Hang, Unhang, Wait
from anviltrace.calibration.inventory import Inventory, site_fields
from anviltrace.calibration.ladder import Load
from anviltrace.calibration.lever import Lever
from anviltrace.calibration.procedure import check_rating
from anviltrace.capture.recorder import Recorder
from anviltrace.capture.threereadings import ThreeReadings, Told
from anviltrace.capture.weighthand import WeightHand
from anviltrace.records import Arm, CheckReading, Mass, Session, Settings, new_id, now_utc

_ADVICE = "let the weights hang still, keep draughts and hands off, then check anew"


@dataclass(frozen=True, slots=True, kw_only=True)
class CheckTask:
    """What is to be hung for a check. ``sign`` is +1 for clockwise torque."""

    session_id: str
    settings: Settings
    inventory: Inventory
    arm: Arm
    masses: tuple[Mass, ...]
    sign: int
    software_version: str = ""
    note: str = ""

    @property
    def torque_nm(self) -> float:
        """Reference torque, a magnitude."""
        return float(value(Lever(self.arm, self.inventory.site).torque_nm(self.masses, self.arm.angle_deg)))


def record_check(
    recorder: Recorder, archive: Archive, task: CheckTask, hand: WeightHand, told: Told
) -> CheckReading:
    """Hang the weights between two zeros and keep the readings; ``told`` hears which reading comes.

    The weights are first hung without reading, as often as a calibration is preloaded. Every recording is
    kept, but a check that is broken off leaves no entry.

    Raises CalibrationError when the arm is not rated for the weights or a reading does not become steady,
    and whatever :meth:`Recorder.steady` does.
    """
    rating_nm = task.inventory.ratings_nm.get(task.arm.name)
    check_rating(Lever(task.arm, task.inventory.site), task.arm, (Load(task.masses),), rating_nm)
    total_kg = sum(mass.mass_kg for mass in task.masses)
    hang = Hang(task.masses, total_kg, task.torque_nm)
    unhang = Unhang(task.masses, 0.0, 0.0)
    reader = ThreeReadings(recorder, archive, task.settings, task.inventory.gate, told, _ADVICE)
    hand.fit_arm(FitArm(task.arm, task.sign))
    preload = task.inventory.preload
    for _ in range(preload.count):
        hand.hang(hang)
        hand.wait(Wait(preload.hold_s))
        hand.unhang(unhang)
        hand.wait(Wait(preload.hold_s))
    reader.read("zero before")
    hand.hang(hang)
    reader.read("weight")
    hand.unhang(unhang)
    reader.read("zero after")
    return _keep(archive, task, reader)


def checked(archive: Archive, check: CheckReading) -> Checked:
    """A check with everything its result is computed from."""
    return Checked(
        check=check,
        rig_id=archive.get(Session, check.session_id).rig_id,
        settings=archive.get(Settings, check.settings_id),
        masses=tuple(archive.get(Mass, mass_id) for mass_id in check.mass_ids),
        arm=archive.get(Arm, check.arm_id),
    )


def history(archive: Archive, latest: Checked) -> list[Checked]:
    """All checks that belong into one control chart with ``latest``, in order of time, up to it."""
    found = []
    for check in archive.all(CheckReading, arm_id=latest.check.arm_id, sign=latest.check.sign):
        one = checked(archive, check)
        if not latest.why_another_kind(one):
            found.append(one)
        if check.id == latest.check.id:
            break
    return found


def _keep(archive: Archive, task: CheckTask, reader: ThreeReadings) -> CheckReading:
    (before_id, before), (load_id, load), (after_id, after) = reader.taken
    check = CheckReading(
        id=new_id(),
        session_id=task.session_id,
        settings_id=task.settings.id,
        arm_id=task.arm.id,
        mass_ids=tuple(mass.id for mass in task.masses),
        angle_deg=task.arm.angle_deg,
        sign=task.sign,
        taken_at=now_utc(),
        **site_fields(task.inventory.site),
        before_run_id=before_id,
        load_run_id=load_id,
        after_run_id=after_id,
        before_counts=before.mean_counts,
        load_counts=load.mean_counts,
        after_counts=after.mean_counts,
        sd_counts=reader.sd_counts,
        samples=load.samples,
        software_version=task.software_version,
        note=task.note,
    )
    for mass in task.masses:
        archive.put(mass)
    archive.put(task.arm)
    archive.put(check)
    return check
