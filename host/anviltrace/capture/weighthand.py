"""Who handles arm and weights: a person at the terminal, the virtual rig's operator, a test."""

from __future__ import annotations

from typing import Protocol

from anviltrace.calibration.instructions import (
    Action,
    Angle,
    Answer,
    AskAngle,
    Bare,
    Clear,
    Doubt,
    Finish,
    FitArm,
    Hang,
    Remount,
    Restore,
    Unhang,
    Wait,
    WarmUp,
    Wish,
)


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


def handle(instruction: Action | WarmUp | Wait | AskAngle, hand: WeightHand) -> Answer:
    """Have an instruction followed; returns what the procedure is answered."""
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
