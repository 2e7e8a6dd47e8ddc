"""The ``anviltrace`` command: a group whose commands are imported only when they are run."""

from __future__ import annotations

import importlib
import sys

import click

from anviltrace import __version__
from anviltrace.errors import AnviltraceError
from anviltrace.onethread import prefer_one_thread

SECTIONS = {
    "To begin with": {
        "demo": ("anviltrace.cli.demo:demo", "Do the whole job on the virtual rig; needs no hardware."),
        "info": ("anviltrace.cli.info:info", "Say what this installation has and lacks."),
    },
    "At the bench": {
        "board": ("anviltrace.cli.board:board", "Talk to the board of the rig."),
        "calibration": (
            "anviltrace.cli.calibration:calibration",
            "Turn counts into torque with hung weights.",
        ),
        "capture": ("anviltrace.cli.capture:capture", "Record the runs of a plan into an archive."),
    },
    "At the desk": {
        "import": ("anviltrace.cli.bringing:bring", "Take in a recording made elsewhere."),
        "import-side": (
            "anviltrace.cli.bringing_side:bring_side",
            "Put supply or vibration from a file beside a run.",
        ),
        "archive": ("anviltrace.cli.archive:archive", "List, show, verify and copy what has been recorded."),
        "metrics": (
            "anviltrace.cli.metrics:metrics",
            "Work out the numbers of runs with their uncertainties.",
        ),
        "exposure": (
            "anviltrace.cli.exposure:exposure",
            "Work out a day's exposure to hand-arm vibration.",
        ),
        "compare": ("anviltrace.cli.compare:compare", "Compare conditions: means with uncertainty, claims."),
        "report": (
            "anviltrace.cli.report:report",
            "Write a report of all kept runs: page, pictures, tables.",
        ),
    },
}
"""Where each command lives, and its line in the help: kept here so that ``--help`` imports none of them."""

COMMANDS = {name: line for section in SECTIONS.values() for name, line in section.items()}

EPILOG = """\b
Exit codes: 0 done, 1 stopped by you, 2 wrong usage, 3 port cannot be opened,
4 no conversation with the board, 5 recording failed, 6 archive cannot be used,
7 archive damaged, 8 a file of yours cannot be used, 9 virtual rig failed,
10 calibration cannot be made, 11 runs cannot be analysed, 12 rig did not pass its check.

Power tools, hung weights and lithium packs can injure. Guard the rig, wear eye and ear
protection, and follow the makers' instructions: see the README."""


HELP = {"help_option_names": ["-h", "--help"], "max_content_width": 100}


class LazyGroup(click.Group):
    """A group that knows its commands by name and imports one only to run it or to show its own help."""

    def list_commands(self, ctx: click.Context) -> list[str]:  # noqa: ARG002
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, name: str) -> click.Command | None:  # noqa: ARG002
        if name not in COMMANDS:
            return None
        module, attribute = COMMANDS[name][0].split(":")
        command: click.Command = getattr(importlib.import_module(module), attribute)
        return command

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        widest = max(len(name) for name in self.list_commands(ctx))
        for title, commands in SECTIONS.items():
            with formatter.section(title):
                formatter.write_dl([(name.ljust(widest), text) for name, (_, text) in commands.items()])


@click.command(cls=LazyGroup, epilog=EPILOG, context_settings=HELP)
@click.version_option(__version__, prog_name="anviltrace")
def cli() -> None:
    """Test powered impact wrenches on a torque rig: calibrate, record, compute, compare, report.

    Start with `anviltrace demo`, which does all of it on a virtual rig.
    """


def main() -> None:
    """Run the command line; an error on purpose becomes one line on stderr and its exit code."""
    prefer_one_thread()
    try:
        cli()
    except AnviltraceError as error:
        click.echo(f"error: {error}", err=True)
        sys.exit(error.exit_code)
