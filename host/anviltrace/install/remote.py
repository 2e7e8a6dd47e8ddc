"""The board at its prompt, through mpremote: what is on it, and files to and from it."""

from __future__ import annotations

import importlib.util
import json
import subprocess
import sys
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from anviltrace.errors import InstallError

_LONGEST_S = 300.0

# what the board runs; PATHS is put in front
_SURVEY = """
import sys, os, json, hashlib
from binascii import hexlify
def digest(path):
    try:
        if os.stat(path)[0] & 0x4000:
            return "folder"
        file = open(path, "rb")
    except OSError:
        return None
    total = hashlib.sha256()
    part = file.read(512)
    while part:
        total.update(part)
        part = file.read(512)
    file.close()
    return hexlify(total.digest()).decode()
def text(path):
    try:
        with open(path) as file:
            return file.read()
    except OSError:
        return None
manifest = text(MANIFEST)
try:
    installed = list(json.loads(manifest)["files"])
except (KeyError, TypeError, ValueError):
    installed = []
what = sys.implementation
room = os.statvfs(os.getcwd())
print(json.dumps({
    "machine": getattr(what, "_machine", sys.platform),
    "version": list(what.version[:3]),
    "dialect": getattr(what, "_mpy", 0),
    "free": room[0] * room[3],
    "manifest": manifest,
    "digests": {path: digest(path) for path in PATHS + installed},
}))
"""

MANIFEST = "anviltrace.json"
"""On the board: what was installed, so that an upgrade knows what is its own."""

FOLDER = "folder"
"""In place of a digest."""


@dataclass(frozen=True, slots=True)
class Survey:
    """What a board says: ``digests`` are sha256 in hex, None for paths that are not there.

    All that was installed is among them. ``dialect`` is MicroPython's ``sys.implementation._mpy``, 0 for
    none; ``installed`` is the manifest, path to digest, empty where nothing of ours was installed.
    """

    machine: str
    micropython: str
    dialect: int
    free_bytes: int
    installed: Mapping[str, str]
    digests: Mapping[str, str | None]


class Remote:
    """A board at its MicroPython prompt on a port. Every method raises InstallError when mpremote does."""

    def __init__(self, port: str) -> None:
        self._port = port
        if importlib.util.find_spec("mpremote") is None:
            raise InstallError("mpremote is not installed: pip install 'anviltrace[board]'")

    def survey(self, paths: Iterable[str]) -> Survey:
        """Ask the board about itself, about some paths, and about those it has from an installation."""
        return self._read_survey(self.run(["exec", _survey_of(paths)]))

    def _read_survey(self, printed: str) -> Survey:
        try:
            told = json.loads(printed.splitlines()[-1])
            return _survey_from(told)
        except (IndexError, KeyError, TypeError, ValueError) as error:
            raise InstallError(
                f"the board on {self._port} gives no sensible answer, {printed[-60:]!r}: reset it, try again"
            ) from error

    def put(
        self, folder: Path, paths: Sequence[str], folders: Iterable[str] = (), gone: Iterable[str] = ()
    ) -> Survey:
        """Remove ``gone``, make ``folders``, copy files from ``folder`` to the same paths; survey those."""
        commands = [["rm", f":{path}"] for path in gone]
        commands += [["mkdir", f":{name}"] for name in folders]
        commands += [["cp", str(folder / path), f":{path}"] for path in paths]
        return self._read_survey(self.run(*commands, ["exec", _survey_of(paths)]))

    def reset(self) -> None:
        """Restart the board, which then starts its script."""
        self.run(["reset"])

    def run(self, *commands: list[str]) -> str:
        """Run mpremote's commands one after the other in one connection; return what it printed."""
        words = [word for command in commands for word in (*command, "+")][:-1]
        try:
            done = subprocess.run(
                [sys.executable, "-m", "mpremote", "connect", self._port, *words],
                stdin=subprocess.DEVNULL,
                capture_output=True,
                timeout=_LONGEST_S,
                check=False,
            )
        except subprocess.TimeoutExpired as error:
            raise InstallError(f"the board on {self._port} stopped answering: reset it, try again") from error
        if done.returncode:
            said = (done.stderr + done.stdout).decode(errors="replace").strip().splitlines() or ["nothing"]
            raise InstallError(f"mpremote failed on {self._port}, it says {said[-1]!r}: reset it, try again")
        return done.stdout.decode(errors="replace")


def _survey_of(paths: Iterable[str]) -> str:
    return f"PATHS = {sorted(paths)!r}\nMANIFEST = {MANIFEST!r}\n{_SURVEY}"


def _survey_from(told: dict[str, Any]) -> Survey:
    return Survey(
        machine=str(told["machine"]),
        micropython=".".join(map(str, told["version"])),
        dialect=int(told["dialect"]),
        free_bytes=int(told["free"]),
        installed=_installed(told["manifest"]),
        digests=dict(told["digests"]),
    )


def _installed(manifest: str | None) -> dict[str, str]:
    """A manifest that is damaged counts as none."""
    try:
        files = json.loads(manifest or "{}")["files"]
        return {str(path): str(digest) for path, digest in files.items()}
    except (AttributeError, KeyError, TypeError, ValueError):
        return {}
