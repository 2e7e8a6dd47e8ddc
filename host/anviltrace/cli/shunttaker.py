"""Takes shunt readings with the hand that fits the port: for a calibration, or for a session."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, TypeVar

import click

from anviltrace.cli.shuntwords import describe_shunt, in_one_line

if TYPE_CHECKING:
    from anviltrace.archive.archive import Archive
    from anviltrace.calibration.inventory import Inventory
    from anviltrace.calibration.stability import Gate
    from anviltrace.capture.recorder import Recorder
    from anviltrace.link.session import Session as Link
    from anviltrace.records import Calibration, Session, Settings, Shunt, ShuntReading

Command = TypeVar("Command", bound=Callable[..., Any])


def choose_shunt(inventory: Inventory, name: str | None, option: str) -> Shunt | None:
    """The shunt of that name, or the only one there is; None where the file describes none.

    Raises PlanError for a name that is not there, UsageError where several leave the choice open.
    """
    if name is not None:
        return inventory.shunt(name)
    if len(inventory.shunts) > 1:
        names = ", ".join(one.name for one in inventory.shunts)
        raise click.UsageError(
            f"the weights file describes several shunts ({names}): choose one with {option}"
        )
    return inventory.shunts[0] if inventory.shunts else None


def shunt_options(command: Command) -> Command:
    """The options of a command that lays on a shunt before and after, unless it is left out."""
    chosen = click.option(
        "--shunt", "shunt_name", metavar="NAME",
        help="Shunt to lay on before and after; not needed where the weights file describes one.",
    )  # fmt: skip
    return chosen(click.option("--no-shunt", is_flag=True, help="Leave the shunt readings out.")(command))


def shunt_wanted(inventory: Inventory, name: str | None, without: bool) -> Shunt | None:
    """The shunt to be laid on before and after, if there is to be one."""
    if not without:
        return choose_shunt(inventory, name, "--shunt, or leave it out with --no-shunt")
    if name is not None:
        raise click.UsageError("--shunt and --no-shunt do not go together: leave one of them out")
    return None


def shunt_beside(
    archive: Archive,
    link: Link,
    session: Session,
    settings: Settings,
    inventory: Inventory,
    shunt: Shunt | None,
    calibration: Calibration,
) -> ShuntTaker | None:
    """Takes the shunt readings of a calibration; what was laid on before it went on is laid on again.

    Those of a series with a second arm are of the calibration that it belongs to.
    """
    from anviltrace.calibration.course import read_outline
    from anviltrace.capture.shuntreadings import taken_with

    outline = read_outline(calibration.course)
    whole_id = (outline.side_of if outline else "") or calibration.id
    if taken := taken_with(archive, whole_id):
        shunt = taken[0].shunt
    if shunt is None:
        return None
    return ShuntTaker(archive, link, session, settings, shunt, inventory.gate, whole_id)


@dataclass(frozen=True)
class ShuntTaker:
    """Takes readings of one shunt in an open session, for a calibration or for the session itself."""

    archive: Archive
    link: Link
    session: Session
    settings: Settings
    shunt: Shunt
    gate: Gate
    calibration_id: str | None = None

    def take(self, note: str = "") -> ShuntReading:
        """Take one with a live display of its own."""
        from anviltrace.capture.recorder import Recorder
        from anviltrace.cli.live import LiveDisplay, Scale

        with LiveDisplay(Scale(self.settings)) as display:
            recorder = Recorder(self.link, self.archive, self.settings, self.session.id, display.watch)
            return self.take_by(recorder, note)

    def take_by(self, recorder: Recorder, note: str = "") -> ShuntReading:
        """Take one, with the hand that fits the port, and say on stderr what came of it."""
        from anviltrace import __version__
        from anviltrace.capture.shunt import ShuntTask, record_shunt
        from anviltrace.capture.shuntreadings import shunted
        from anviltrace.cli.hands import SHUNT_CAUTIONS, OperatorShunt, PersonShunt

        operator = getattr(self.link.port, "operator", None)
        if operator is None:
            click.echo(SHUNT_CAUTIONS, err=True)
        task = ShuntTask(
            session_id=self.session.id,
            settings=self.settings,
            shunt=self.shunt,
            gate=self.gate,
            calibration_id=self.calibration_id,
            software_version=__version__,
            note=note,
        )
        hand = PersonShunt() if operator is None else OperatorShunt(operator)
        made = record_shunt(
            recorder, self.archive, task, hand, lambda what: click.echo(f"reading: {what}", err=True)
        )
        click.echo(in_one_line(describe_shunt(self.archive, shunted(self.archive, made))), err=True)
        return made

    def before(self, recorder: Recorder) -> None:
        """Before the first reading of a calibration, unless it has one already."""
        from anviltrace.capture.lines import kept_steps
        from anviltrace.capture.shuntreadings import taken_with
        from anviltrace.errors import CalibrationError

        if self.calibration_id is None or taken_with(self.archive, self.calibration_id):
            return
        went_on = kept_steps(self.archive, self.calibration_id)
        try:
            self.take_by(recorder, "taken when the calibration went on" if went_on else "")
        except CalibrationError:
            click.echo("Put it right, or leave the shunt out with --no-shunt.", err=True)
            raise

    def after(self) -> ShuntReading | None:
        """After the last reading or run: what it goes with is whole, so it is left out if it cannot be."""
        from anviltrace.errors import AnviltraceError

        try:
            return self.take()
        except (AnviltraceError, KeyboardInterrupt, click.Abort) as error:
            click.echo(f"NO SHUNT READING afterwards: {str(error) or 'stopped'}", err=True)
            return None

    @contextmanager
    def around(self) -> Iterator[dict[str, ShuntReading | None]]:
        """A reading before what happens inside and one after; hands out both, None where it failed.

        Runs matter more than a shunt: where it cannot be read this is said on stderr, and they go on.
        Raises CalibrationError when the converter cannot show this shunt at all.
        """
        from anviltrace.calibration.shunt import refuse_beyond
        from anviltrace.errors import CalibrationError

        refuse_beyond(self.shunt, self.settings)
        taken: dict[str, ShuntReading | None] = {"before": None, "after": None}
        try:
            taken["before"] = self.take()
        except CalibrationError as error:
            click.echo(f"NO SHUNT READING before: {error}", err=True)
        try:
            yield taken
        except BaseException:
            click.echo("NO SHUNT READING afterwards: what comes before it was broken off", err=True)
            raise
        taken["after"] = self.after()
