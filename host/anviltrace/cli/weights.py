"""Who handles arm and weights in a calibration: a person who is told, or the virtual rig's operator."""

from __future__ import annotations

import time
from typing import TYPE_CHECKING, Any

import click

from anviltrace.records import Mass, Rotation
from anviltrace.units import TorqueUnit

if TYPE_CHECKING:
    from anviltrace.calibration.procedure import FitArm, Hang, Unhang, Wait

CAUTIONS = """Hung weights fall: secure each one, and clamp the rig to something that cannot tip.
Nobody under the arm or in line with it; feet clear; two people for what one cannot hold safely.
Pack out of every tool; no tool on the rig. Stop if anything creaks, slips or bends.
The weights must act where the tool's torque enters, and nothing else may carry torque
(a stud: nut locked to it, clear of its seat)."""


class PersonWeights:
    """Tells a person on the terminal what to do, and waits for Enter."""

    def __init__(self, unit: TorqueUnit) -> None:
        self._unit = unit

    def fit_arm(self, step: FitArm) -> None:
        """Ask for the bare arm."""
        turn = "clockwise" if step.sign > 0 else "counter-clockwise"
        _ask(f"Fit {step.arm.name}, level and bare, so that weights turn it {turn} seen from behind the tool")

    def hang(self, step: Hang) -> None:
        """Ask for more weight."""
        _ask(f"Hang {names(step.masses)}: {self._then(step)}. Secure, let go, stand clear")

    def unhang(self, step: Unhang) -> None:
        """Ask for less weight."""
        _ask(f"Take off {names(step.masses)}: {self._then(step)}. Stand clear")

    def wait(self, step: Wait) -> None:
        """Let the time pass."""
        click.echo(f"Waiting {step.seconds:g} s; hands off.", err=True)
        time.sleep(step.seconds)

    def _then(self, step: Hang | Unhang) -> str:
        return f"{step.total_kg:.3f} kg, {self._unit.from_nm(step.torque_nm):.1f} {self._unit} then hang"


class OperatorWeights:
    """Passes everything on to the operator of the virtual rig."""

    def __init__(self, operator: Any) -> None:
        self._operator = operator

    def fit_arm(self, step: FitArm) -> None:
        """Put the arm on, with nothing hung."""
        self._operator.unhang_all()
        self._operator.fit_arm(step.arm.name, Rotation.CW if step.sign > 0 else Rotation.CCW)

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


def names(masses: tuple[Mass, ...]) -> str:
    """The names of weights as a list in words."""
    return ", ".join(mass.name for mass in masses) or "nothing"


def _ask(text: str) -> None:
    click.prompt(f"{text}; then press Enter", default="", show_default=False, prompt_suffix=". ", err=True)
