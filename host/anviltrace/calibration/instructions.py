"""What a calibration asks for, and what it is answered: the words between the procedure and its hands."""

from __future__ import annotations

from collections.abc import Generator
from dataclasses import dataclass
from enum import StrEnum

from anviltrace.calibration.ladder import Load
from anviltrace.records import Arm, Mass


class Wish(StrEnum):
    """What a person may want instead of going on."""

    AGAIN = "again"
    ANEW = "anew"


class Meanwhile(StrEnum):
    """What happened to the rig since the last reading of a calibration that was stopped: the worst of it."""

    UNTOUCHED = "untouched"
    UNLOADED = "unloaded"
    REMOUNTED = "remounted"


@dataclass(frozen=True, slots=True)
class WarmUp:
    """Leave the bridge supplied for so long before anything is read."""

    seconds: float


@dataclass(frozen=True, slots=True)
class Bare:
    """Take everything off the transducer, arm and tool included, and read it as it is."""


@dataclass(frozen=True, slots=True)
class FitArm:
    """Put ``arm`` on so that weights on it turn the transducer by ``sign`` (+1 clockwise), bare.

    After a stop it may be on with weights hanging: they come off first.
    ``position_deg`` is how far it is turned on the drive from where it was in the first mounting.
    """

    arm: Arm
    sign: int
    position_deg: float = 0.0


@dataclass(frozen=True, slots=True)
class Remount:
    """Take ``arm`` off and put it on again, turned to ``position_deg``; nothing hangs."""

    arm: Arm
    sign: int
    position_deg: float


@dataclass(frozen=True, slots=True)
class Clear:
    """Take all weights off, whatever hangs; the arm stays on."""


@dataclass(frozen=True, slots=True)
class Restore:
    """Exactly these ``masses`` are to hang, after a stop, and were to hang next or hang already.

    On the branch ``up`` hang what is missing and take nothing off, else the other way round.
    """

    branch: str
    masses: tuple[Mass, ...]
    total_kg: float
    torque_nm: float


@dataclass(frozen=True, slots=True)
class Hang:
    """Hang ``masses``; together with what hangs already ``total_kg`` and ``torque_nm`` (a magnitude)."""

    masses: tuple[Mass, ...]
    total_kg: float
    torque_nm: float


@dataclass(frozen=True, slots=True)
class Unhang:
    """Take ``masses`` off; ``total_kg`` and ``torque_nm`` (a magnitude) are left."""

    masses: tuple[Mass, ...]
    total_kg: float
    torque_nm: float


@dataclass(frozen=True, slots=True)
class Wait:
    """Leave everything as it is for so long."""

    seconds: float


@dataclass(frozen=True, slots=True)
class AskAngle:
    """Measure the angle of the arm under ``load``; ``angle_deg`` is what holds where nobody does."""

    load: Load
    angle_deg: float


@dataclass(frozen=True, slots=True)
class Read:
    """Let everything come to rest, and read. ``torque_nm`` is the magnitude that hangs.

    ``number`` of ``of`` is its place in the whole course.
    """

    number: int
    of: int
    branch: str
    load: Load
    angle_deg: float
    torque_nm: float
    series: int = 1
    mounting: int = 1


@dataclass(frozen=True, slots=True)
class Keep:
    """The reading just taken goes with the others: keep it as a load step."""

    asked: Read


@dataclass(frozen=True, slots=True)
class Drop:
    """The reading kept last is to be repeated: it stays on record, and out of the line."""

    reason: str


@dataclass(frozen=True, slots=True)
class Void:
    """The readings of these series stay on record, and out of the line: the series begin anew."""

    series: tuple[int, ...]
    reason: str


@dataclass(frozen=True, slots=True)
class Doubt:
    """The reading just taken cannot be used. Answered by a wish; by None where nobody can put it right."""

    asked: Read
    reason: str


@dataclass(frozen=True, slots=True)
class Say:
    """Something a person should know."""

    text: str


@dataclass(frozen=True, slots=True)
class Finish:
    """Everything has been read: the arm may come off."""


@dataclass(frozen=True, slots=True)
class Reading:
    """The steady reading that was taken, in counts."""

    mean_counts: float


@dataclass(frozen=True, slots=True)
class Failed:
    """No reading could be taken, and why."""

    reason: str


@dataclass(frozen=True, slots=True)
class Angle:
    """The angle of the arm as measured, against the horizontal."""

    angle_deg: float


Action = FitArm | Remount | Clear | Restore | Hang | Unhang | Finish
Instruction = Action | WarmUp | Bare | Wait | AskAngle | Read | Keep | Drop | Void | Doubt | Say
Answer = Reading | Failed | Angle | Wish | None
Course = Generator[Instruction, Answer, None]
