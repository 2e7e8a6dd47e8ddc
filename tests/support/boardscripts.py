"""The scripts in tests/device/scripts that run on the simulated hardware, and the checks in them."""

from __future__ import annotations

import re
from collections.abc import Collection
from pathlib import Path

SCRIPTS = Path(__file__).resolve().parent.parent / "device" / "scripts"


def checks_of(script: str, helpers: Collection[str] = ()) -> list[str]:
    """Names of the functions of a script that can be called as they are, without its ``helpers``."""
    names = re.findall(r"^def (\w+)\(\)", (SCRIPTS / script).read_text("utf-8"), re.MULTILINE)
    return [name for name in names if name not in helpers]
