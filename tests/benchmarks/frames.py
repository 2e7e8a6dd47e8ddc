"""Frames a second that MicroPython makes on this machine, as bytecode, native and viper code.

Run it by hand: ``python tests/benchmarks/frames.py``. A frame holds a full block of 256 samples: CRC-32 and
byte stuffing of about 800 bytes. Printed beside each is how many times the bytecode that is, and the margin
over the 117 frames a second of 30 kS/s. A microcontroller is slower than this machine by a factor nobody can
tell without one; the ratios between the three carry over better than the figures.
"""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

from anvilwire.messages import BLOCK_SAMPLES

ROOT = Path(__file__).resolve().parents[2]
FASTEST_HZ = 30_000.0


def made() -> dict[str, int]:
    """Frames a second by the kind of code."""
    script = ROOT / "tests" / "device" / "scripts" / "frames_made.py"
    path = os.pathsep.join([str(ROOT / "protocol"), str(ROOT / "device"), ".frozen"])
    done = subprocess.run(
        [sys.executable, "-I", "-m", "micropython_unix", str(script), str(ROOT / "device" / "quick.py")],
        env={**os.environ, "MICROPYPATH": path},
        capture_output=True,
        text=True,
        check=True,
    )
    rows = [line.split() for line in done.stdout.splitlines()]
    if [row[2] for row in rows] != ["same"] * 3:
        raise SystemExit(f"the three do not make the same frames, or did not run: {done.stdout}{done.stderr}")
    return {row[0]: int(row[1]) for row in rows}


def main() -> None:
    needed = FASTEST_HZ / BLOCK_SAMPLES
    per_s = made()
    for kind, frames in per_s.items():
        print(
            f"{kind:9s} {frames:7d} frames/s, {frames / per_s['bytecode']:5.1f} times bytecode, "
            f"{frames / needed:6.1f} times the {needed:.0f} frames/s of {FASTEST_HZ / 1000:g} kS/s"
        )


if __name__ == "__main__":
    main()
