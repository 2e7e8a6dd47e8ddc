"""Who handles arm and weights in a calibration: a person who is told, or the virtual rig's operator."""

from __future__ import annotations

import time
from typing import Any

import click

from anviltrace.calibration.instructions import (
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
from anviltrace.records import Mass, Rotation, turning
from anviltrace.units import TorqueUnit

CAUTIONS = """Hung weights fall: secure each one, and clamp the rig to something that cannot tip.
Nobody under the arm or in line with it; feet clear; two people for what one cannot hold safely.
Pack out of every tool; no tool on the rig. Stop if anything creaks, slips or bends.
The weights must act where the tool's torque enters, and nothing else may carry torque
(a stud: nut locked to it, clear of its seat)."""

_MAY_REDO = (
    f"At each step, instead of Enter alone: “{Wish.AGAIN}” repeats the reading just taken, “{Wish.ANEW}” "
    "begins the series anew. Ctrl-C stops; it can go on later."
)


class PersonWeights:
    """Tells a person on the terminal what to do, and waits for Enter.

    With ``may_redo`` the words of a :class:`Wish` are taken as well.
    """

    def __init__(self, unit: TorqueUnit, may_redo: bool = False) -> None:
        self._unit, self._may_redo = unit, may_redo
        if may_redo:
            click.echo(_MAY_REDO, err=True)

    def warm_up(self, step: WarmUp) -> None:
        """Let the bridge warm up; who knows that it is warm may go on."""
        minutes = f"{step.seconds / 60.0:g} min"
        _ask(f"The rig needs {minutes} with its supply on before the first reading: wait until they are over")

    def bare(self, step: Bare) -> None:  # noqa: ARG002
        """Ask for the transducer with nothing on it."""
        _ask("Take arm, weights and tool off: the transducer is read with nothing on it. Hands off")

    def fit_arm(self, step: FitArm) -> Wish | None:
        """Ask for the bare arm."""
        turned = f", turned {step.position_deg:g}° from its first position" if step.position_deg else ""
        return self._ask(
            f"Fit {step.arm.name}{turned}, level and bare, so that weights turn it {turning(step.sign)} "
            "seen from behind the tool"
        )

    def remount(self, step: Remount) -> Wish | None:
        """Ask for the arm to be taken off and put on again, turned."""
        return self._ask(
            f"Take {step.arm.name} off, turn it or the shaft to {step.position_deg:g}° from the first "
            f"position, fit it again level and bare, so that weights turn it {turning(step.sign)}"
        )

    def clear(self, step: Clear) -> Wish | None:  # noqa: ARG002
        """Ask for all weights to be taken off."""
        return self._ask("Take all weights off; leave the arm on. Stand clear")

    def restore(self, step: Restore) -> Wish | None:
        """Ask for a look at what hangs after a stop."""
        rising = step.branch == "up"
        change = "hang what is missing, take nothing off" if rising else "take off what is too much"
        return self._ask(
            f"Exactly this is to hang now: {names(step.masses)} ({step.total_kg:.3f} kg, "
            f"{self._unit.from_nm(step.torque_nm):.1f} {self._unit}); {change}. If you "
            f"would have to turn back, type {Wish.ANEW} instead"
        )

    def hang(self, step: Hang) -> Wish | None:
        """Ask for more weight."""
        return self._ask(f"Hang {names(step.masses)}: {self._then(step)}. Secure, let go, stand clear")

    def unhang(self, step: Unhang) -> Wish | None:
        """Ask for less weight."""
        return self._ask(f"Take off {names(step.masses)}: {self._then(step)}. Stand clear")

    def wait(self, step: Wait) -> None:
        """Let the time pass."""
        click.echo(f"Waiting {step.seconds:g} s; hands off.", err=True)
        time.sleep(step.seconds)

    def angle(self, step: AskAngle) -> float:
        """Ask for the angle of the arm."""
        asked = "Angle of the arm against the horizontal in degrees"
        return float(click.prompt(asked, default=step.angle_deg, type=float, err=True))

    def doubt(self, step: Doubt) -> Wish:
        """Say what is wrong, and ask what is to be done."""
        click.echo(f"NOT KEPT: {step.reason}.", err=True)
        click.echo(
            f"{Wish.AGAIN}: put it right without taking the load back, and read again\n"
            f"{Wish.ANEW}: begin this series anew, where too much hung, or the error lies further back\n"
            "Ctrl-C: stop; it can go on later",
            err=True,
        )
        choice = click.Choice([wish.value for wish in Wish])
        return Wish(click.prompt("What is to be done", type=choice, err=True))

    def finish(self, step: Finish) -> Wish | None:  # noqa: ARG002
        """Everything is read."""
        return self._ask("All readings are taken: take the arm off")

    def _then(self, step: Hang | Unhang) -> str:
        return f"{step.total_kg:.3f} kg, {self._unit.from_nm(step.torque_nm):.1f} {self._unit} then hang"

    def _ask(self, text: str) -> Wish | None:
        while True:
            answer = _ask(text)
            if not self._may_redo or not answer:
                return None
            if answer in list(Wish):
                return Wish(answer)
            click.echo(f"“{answer}” is not known here. {_MAY_REDO}", err=True)


class OperatorWeights:
    """Passes everything on to the operator of the virtual rig, who has no wishes and makes no mistakes."""

    def __init__(self, operator: Any) -> None:
        self._operator = operator

    def warm_up(self, step: WarmUp) -> None:
        """Let the time pass."""
        self._operator.let_pass(step.seconds)

    def bare(self, step: Bare) -> None:  # noqa: ARG002
        """Take the weights off; the bare arm of the virtual rig makes no torque."""
        self._operator.unhang_all()

    def fit_arm(self, step: FitArm) -> None:
        """Put the arm on, with nothing hung."""
        self._operator.unhang_all()
        self._operator.fit_arm(step.arm.name, Rotation.CW if step.sign > 0 else Rotation.CCW)

    def remount(self, step: Remount) -> None:  # noqa: ARG002
        """A new mounting."""
        self._operator.remount()

    def clear(self, step: Clear) -> None:  # noqa: ARG002
        """Take the weights off."""
        self._operator.unhang_all()

    def restore(self, step: Restore) -> None:
        """Hang what is missing, take off what is too much."""
        wanted = [mass.name for mass in step.masses]
        for name in self._operator.hanging:
            if name not in wanted:
                self._operator.unhang(name)
        for name in wanted:
            if name not in self._operator.hanging:
                self._operator.hang(name)

    def hang(self, step: Hang) -> None:
        """Lower the weights."""
        for mass in step.masses:
            self._operator.hang(mass.name)

    def unhang(self, step: Unhang) -> None:
        """Take the weights off."""
        for mass in step.masses:
            self._operator.unhang(mass.name)

    def wait(self, step: Wait) -> None:
        """Let the time pass, which costs none on the wall."""
        self._operator.let_pass(step.seconds)

    def angle(self, step: AskAngle) -> None:
        """Nobody measures it on the virtual rig."""

    def doubt(self, step: Doubt) -> None:
        """Nobody is there to put it right."""

    def finish(self, step: Finish) -> None:
        """The arm may stay on."""


def names(masses: tuple[Mass, ...]) -> str:
    """The names of weights as a list in words."""
    return ", ".join(mass.name for mass in masses) or "nothing"


def _ask(text: str) -> str:
    """What is typed before Enter."""
    asked = f"{text}; then press Enter"
    return str(click.prompt(asked, default="", show_default=False, prompt_suffix=". ", err=True)).strip()
