"""The course of a dead-weight calibration: what to do next, told step by step.

A generator that does nothing itself: it yields instructions, a person or the virtual operator follows them,
and each :class:`Read` is answered by sending the :class:`Reading`. First form: preloads to the highest load,
a zero, the loads rising, the loads falling, a zero.
"""

from __future__ import annotations

from collections.abc import Generator, Sequence
from dataclasses import dataclass

from GTC import value

from anviltrace.calibration.ladder import Load, Preload, check_ladder
from anviltrace.calibration.lever import Lever
from anviltrace.errors import CalibrationError
from anviltrace.records import Arm, Mass

_MISFIT = 0.15
"""A reading this far off in proportion to the others means that something else hangs than was asked for."""
_ZERO_MISFIT = 0.02
"""The same for readings near zero, as a share of the largest load."""


@dataclass(frozen=True, slots=True)
class FitArm:
    """Put ``arm`` on so that weights on it turn the transducer by ``sign`` (+1 clockwise). Nothing hangs."""

    arm: Arm
    sign: int


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
class Read:
    """Let everything come to rest, and read. ``torque_nm`` is the magnitude that hangs."""

    number: int
    of: int
    branch: str
    load: Load
    angle_deg: float
    torque_nm: float


@dataclass(frozen=True, slots=True)
class Reading:
    """The steady reading that was taken, in counts."""

    mean_counts: float


Instruction = FitArm | Hang | Unhang | Wait | Read
Course = Generator[Instruction, Reading | None, None]

EMPTY = Load(())


def dead_weights(lever: Lever, arm: Arm, ladder: Sequence[Load], sign: int, preload: Preload) -> Course:
    """Preloads, zero, ``ladder`` up, ``ladder`` down, zero.

    Raises CalibrationError at once when the ladder cannot be hung, and when a reading does not go with the
    others: then the wrong weights hang, or something else carries torque.
    """
    check_ladder(ladder)
    return _dead_weights(lever, arm, ladder, sign, preload)


def _dead_weights(lever: Lever, arm: Arm, ladder: Sequence[Load], sign: int, preload: Preload) -> Course:
    yield FitArm(arm, sign)
    for before, after in ((EMPTY, ladder[-1]), (ladder[-1], EMPTY)) * preload.count:
        yield _change(before, after, _torque_nm(lever, arm, after))
        yield Wait(preload.hold_s)
    loads = [EMPTY, *ladder, *reversed(ladder[:-1]), EMPTY]
    branches = ["zero", *("up" for _ in ladder), *("down" for _ in ladder[:-1]), "zero"]
    seen: list[tuple[float, float]] = []
    before = EMPTY
    for number, (load, branch) in enumerate(zip(loads, branches, strict=True), 1):
        torque_nm = _torque_nm(lever, arm, load)
        if load is not before:
            yield _change(before, load, torque_nm)
        reading = yield Read(number, len(loads), branch, load, _angle_deg(arm, load), torque_nm)
        if reading is None:
            raise TypeError("a Read is answered by sending the Reading")
        seen.append((torque_nm, reading.mean_counts))
        _check_fits(seen)
        before = load


def _angle_deg(arm: Arm, load: Load) -> float:
    return arm.angle_deg if load.angle_deg is None else load.angle_deg


def _torque_nm(lever: Lever, arm: Arm, load: Load) -> float:
    return float(value(lever.torque_nm(load.masses, _angle_deg(arm, load))))


def _change(before: Load, after: Load, torque_nm: float) -> Hang | Unhang:
    total_kg = sum(mass.mass_kg for mass in after.masses)
    added = tuple(mass for mass in after.masses if mass not in before.masses)
    if added:
        return Hang(added, total_kg, torque_nm)
    return Unhang(tuple(mass for mass in before.masses if mass not in after.masses), total_kg, torque_nm)


def _check_fits(seen: Sequence[tuple[float, float]]) -> None:
    """Compare the latest reading with the one at the largest load before it."""
    zero_counts = seen[0][1]
    torque_nm, counts = seen[-1]
    top_nm, top_counts = max(seen[:-1], default=(0.0, 0.0))
    if top_nm == 0.0:
        return
    per_nm = (top_counts - zero_counts) / top_nm
    expected, limit = per_nm * torque_nm, abs(per_nm) * (_MISFIT * torque_nm + _ZERO_MISFIT * top_nm)
    if abs(counts - zero_counts - expected) > limit:
        raise CalibrationError(
            f"reading {len(seen)} is {counts - zero_counts:+.0f} counts from the zero where about "
            f"{expected:+.0f} was expected for {torque_nm:.1f} N·m (±{limit:.0f}): check which "
            "weights hang and that nothing touches the arm, then record the calibration anew"
        )
