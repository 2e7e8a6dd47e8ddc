"""The help comes at once: it loads nothing heavy."""

from __future__ import annotations

import json
import subprocess
import sys

import pytest

from anviltrace.cli.main import COMMANDS

HEAVY = (
    "numpy",
    "scipy",
    "GTC",
    "matplotlib",
    "bokeh",
    "jinja2",
    "rich",
    "serial",
    "sqlite3",
    "cobs",
    "anvilwire",
)

PROBE = """
import json, sys
from anviltrace.cli.main import cli
try:
    cli(sys.argv[1:])
except SystemExit:
    pass
print("\\n" + json.dumps(sorted({name.split(".")[0] for name in sys.modules})))
"""


@pytest.mark.parametrize(
    "arguments",
    [["--help"], ["--version"], *([command, "--help"] for command in COMMANDS if command != "info")],
)
def test_help_loads_nothing_heavy(arguments: list[str]) -> None:
    done = subprocess.run(
        [sys.executable, "-c", PROBE, *arguments], capture_output=True, text=True, check=True, timeout=60
    )
    loaded = json.loads(done.stdout.splitlines()[-1])
    assert "click" in loaded  # or the probe looked in the wrong place
    assert not set(HEAVY) & set(loaded)
