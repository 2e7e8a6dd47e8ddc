"""How soon ``anviltrace --help`` is there, against a bare lazy click group. Prints the ratio of one run.

Both start in a fresh interpreter, in turn, and print their help. The bare group does nothing but what any
lazy group must: list its commands by name and import none.

Run: python tests/benchmarks/help_start.py
"""

from __future__ import annotations

import statistics
import subprocess
import sys
import time

REPEATS = 31

OURS = """
import sys
from anviltrace.cli.main import main
sys.argv = ["anviltrace", "--help"]
main()
"""

BARE = """
import sys
import click

COMMANDS = {"archive": "a", "board": "b", "capture": "c", "demo": "d", "info": "i"}

class Lazy(click.Group):
    def list_commands(self, ctx):
        return sorted(COMMANDS)
    def get_command(self, ctx, name):
        return None
    def format_commands(self, ctx, formatter):
        with formatter.section("Commands"):
            formatter.write_dl(list(COMMANDS.items()))

@click.command(cls=Lazy)
def cli():
    "A bare lazy group."

sys.argv = ["bare", "--help"]
cli()
"""


def seconds_taken(program: str) -> float:
    begin = time.perf_counter()
    subprocess.run([sys.executable, "-c", program], stdout=subprocess.DEVNULL, check=True)
    return time.perf_counter() - begin


def main() -> None:
    times: dict[str, list[float]] = {"bare lazy click group": [], "anviltrace --help": []}
    for program in (BARE, OURS):  # once without counting, so that the files are in memory
        seconds_taken(program)
    for _ in range(REPEATS):
        for name, program in zip(times, (BARE, OURS), strict=True):
            times[name].append(seconds_taken(program))
    bare = statistics.median(times["bare lazy click group"])
    for name, taken in times.items():
        median = statistics.median(taken)
        print(f"{name:24s} median {median * 1e3:6.1f} ms   ratio to the bare group {median / bare:5.2f}")


if __name__ == "__main__":
    main()
