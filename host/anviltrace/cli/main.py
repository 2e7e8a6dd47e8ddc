"""The ``anviltrace`` command: a group whose commands are imported only when they are run."""

from __future__ import annotations

import importlib
import sys

import click

from anviltrace import __version__
from anviltrace.errors import AnviltraceError

COMMANDS = {
    "archive": ("anviltrace.cli.archive:archive", "List, show, verify and copy what has been recorded."),
    "board": ("anviltrace.cli.board:board", "Talk to the board of the rig."),
    "calibration": ("anviltrace.cli.calibration:calibration", "Turn counts into torque with hung weights."),
    "capture": ("anviltrace.cli.capture:capture", "Record the runs of a plan into an archive."),
    "compare": ("anviltrace.cli.compare:compare", "Compare conditions: means with uncertainty, claims."),
    "demo": ("anviltrace.cli.demo:demo", "Play a recording session on the virtual rig."),
    "info": ("anviltrace.cli.info:info", "Say what this installation has and lacks."),
    "metrics": ("anviltrace.cli.metrics:metrics", "Work out the numbers of runs with their uncertainties."),
    "report": ("anviltrace.cli.report:report", "Write a report of all kept runs: page, pictures, tables."),
}
"""Where each command lives, and its line in the help: kept here so that ``--help`` imports none of them."""

EPILOG = """\b
Exit codes: 0 done, 1 stopped by you, 2 wrong usage, 3 port cannot be opened,
4 no conversation with the board, 5 recording failed, 6 archive cannot be used,
7 archive damaged, 8 a file of yours cannot be used, 9 virtual rig failed.

Power tools, hung weights and lithium packs can injure. Guard the rig, wear eye and ear
protection, and follow the makers' instructions: see the README."""


class LazyGroup(click.Group):
    """A group that knows its commands by name and imports one only to run it or to show its own help."""

    def list_commands(self, ctx: click.Context) -> list[str]:  # noqa: ARG002
        return sorted(COMMANDS)

    def get_command(self, ctx: click.Context, name: str) -> click.Command | None:  # noqa: ARG002
        if name not in COMMANDS:
            return None
        module, attribute = COMMANDS[name][0].split(":")
        command: click.Command = getattr(importlib.import_module(module), attribute)
        return command

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        with formatter.section("Commands"):
            formatter.write_dl([(name, COMMANDS[name][1]) for name in self.list_commands(ctx)])


@click.command(cls=LazyGroup, epilog=EPILOG, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(__version__, prog_name="anviltrace")
def cli() -> None:
    """Record impact wrenches on a torque rig, and keep every run for analysis.

    Start with `anviltrace demo`: it plays a session on a virtual rig and needs no hardware.
    """


def main() -> None:
    """Run the command line; an error on purpose becomes one line on stderr and its exit code."""
    try:
        cli()
    except AnviltraceError as error:
        click.echo(f"error: {error}", err=True)
        sys.exit(error.exit_code)
