"""Who acts at the bench: a person who is told what to do, or the operator of the virtual rig."""

from __future__ import annotations

from typing import Any

import click

from anviltrace.records import Plan, Rotation, Shunt, Supply, Tool

CAUTIONS = """Guard round the socket; eye and ear protection; no loose sleeves.
Impact-rated sockets only. Pack out of the tool before you touch wiring or socket.
Nobody under a weight or in line with the arm.
The makers' instructions and your local rules come first."""

SHUNT_CAUTIONS = """Pack out of the tool; only the bridge's low supply voltage on the wires you touch.
Hands off the weights: what hangs stays as it hangs, and nobody under it."""

PRESET_S = 1.5
"""How long the virtual operator drives to preset a joint."""
SETTLE_S = 0.5
"""How long the virtual operator waits after letting go."""
SEAT_S = 5.0
"""How long the virtual operator takes to put a tool on, and an arm off."""
SLACKEN_S = 4.0
"""How long the virtual operator takes to make a tight joint slack."""


class PersonHand:
    """Tells a person on the terminal what to do, and waits for Enter where nothing is running."""

    def __init__(self) -> None:
        self._seated = False

    def slacken(self) -> None:
        """Ask for a slack joint."""
        if self._seated:
            _ask("Lift the tool, make the joint slack, seat the tool again, hand off the trigger")
        else:
            _ask("Make the joint slack")

    def seat(self, tool: Tool, supply: Supply) -> None:
        """Ask for the tool to be put on."""
        self._seated = True
        _ask(f"Seat {tool.name} with {supply.name}, hand off the trigger, and leave it still")

    def preset(self, plan: Plan) -> None:
        """Ask for the joint to be preset."""
        _ask(f"Preset the joint for “{plan.name}”, seat the tool again, hand off the trigger")

    def drive(self, plan: Plan) -> None:
        """The live display shows the signal."""

    def release(self) -> None:
        """The live display shows the signal."""

    def unseat(self) -> None:
        """Ask for the tool to be put down."""
        _ask("Take the tool off, take the pack out")


class OperatorHand:
    """Passes everything on to the operator of the virtual rig."""

    def __init__(self, operator: Any) -> None:
        self._operator = operator
        self._tight = False

    def slacken(self) -> None:
        """Make the joint slack, which takes the virtual spanner a moment."""
        self._operator.slacken()
        if self._tight:
            self._operator.let_pass(SLACKEN_S)
        self._tight = False

    def seat(self, tool: Tool, supply: Supply) -> None:
        """Put the tool on, and an arm off that is still on: that takes a moment before a zero can be read."""
        self._operator.seat(tool.name, supply.name)
        self._operator.let_pass(SEAT_S)

    def preset(self, plan: Plan) -> None:
        """Drive the joint the other way for a few seconds."""
        self._operator.drive(Rotation.CCW if plan.rotation is Rotation.CW else Rotation.CW)
        self._tight = True
        self._operator.let_pass(PRESET_S)
        self._operator.release()
        self._operator.let_pass(SETTLE_S)

    def drive(self, plan: Plan) -> None:
        """Pull the trigger."""
        self._tight = True
        self._operator.drive(plan.rotation)

    def release(self) -> None:
        """Let go."""
        self._operator.release()

    def unseat(self) -> None:
        """Take the tool off."""
        self._operator.unseat()


class PersonShunt:
    """Tells a person on the terminal when the resistor goes on and off, and waits for Enter."""

    def lay(self, shunt: Shunt) -> None:
        """Ask for the resistor to be laid on."""
        _ask(
            f"Lay the resistor {shunt.name} ({shunt.resistor_ohm:g} Ω) across the arm of the bridge, always "
            "the same; hands off"
        )

    def take_off(self, shunt: Shunt) -> None:
        """Ask for it to be taken off."""
        _ask(f"Take the resistor {shunt.name} off; hands off")


class OperatorShunt:
    """Passes everything on to the operator of the virtual rig."""

    def __init__(self, operator: Any) -> None:
        self._operator = operator

    def lay(self, shunt: Shunt) -> None:
        """Lay it on."""
        self._operator.lay_shunt(shunt.name)

    def take_off(self, shunt: Shunt) -> None:  # noqa: ARG002
        """Take it off."""
        self._operator.take_off_shunt()


class PersonPush:
    """Asks a person to push the socket end clockwise, and to let go."""

    def push(self) -> None:
        """Ask for the push, and that it is held."""
        _ask("With a short bar, push the socket end clockwise (seen from behind the tool), hold it steadily")

    def let_go(self) -> None:
        """Say that it is enough."""
        click.echo("Let go.", err=True)


class OperatorPush:
    """Passes everything on to the operator of the virtual rig."""

    def __init__(self, operator: Any) -> None:
        self._operator = operator

    def push(self) -> None:
        """Push, and wait until it is steady."""
        self._operator.push(Rotation.CW)
        self._operator.let_pass(SETTLE_S)

    def let_go(self) -> None:
        """Take the hand off, and wait until the rig is still."""
        self._operator.stop_pushing()
        self._operator.let_pass(SETTLE_S)


def _ask(text: str) -> None:
    """Wait for Enter. Not ``click.pause``, which waits for nobody once stdout goes to a file."""
    click.prompt(f"{text}, then press Enter", default="", show_default=False, prompt_suffix=". ", err=True)
