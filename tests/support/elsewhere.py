"""A recording made elsewhere: a simulated train of blows, and the files other programs would make of it."""

from __future__ import annotations

from functools import cache
from pathlib import Path

import blow_train
import numpy as np

NM_PER_V = 50.0
RATE_HZ = 20_000.0
QUIET_S = 0.3

PLAN = """\
name = "fishplate, tightening"
rotation = "cw"
thread = "right"
duty = "tightening"
start = "slack"
drive_s = 2.0
marks_s = [0.5]
"""
BENCH = """\
[rig]
name = "depot anvil"
kind = "through"

[[tool]]
name = "Ostrelby"
"""


@cache
def recording() -> tuple[blow_train.Made, np.ndarray]:
    """A train of 40 blows on a through rig, quiet before and after, and what it reads in volts with noise."""
    train = blow_train.Train(kind="through", samples=20.0, width_s=1e-3, rest_s=QUIET_S)
    random = np.random.default_rng(11)
    made = blow_train.make(train, random)
    volts = (made.torque_nm + 0.2 * random.standard_normal(made.torque_nm.size)) / NM_PER_V + 0.037
    return made, volts


def times_s() -> np.ndarray:
    """As an oscilloscope tells them: 0 is the trigger."""
    return np.arange(len(recording()[1])) / RATE_HZ - 0.1


def write_files(folder: Path) -> tuple[Path, Path]:
    """The plan and the bench file."""
    plan, bench = folder / "plan.toml", folder / "bench.toml"
    plan.write_text(PLAN, encoding="utf-8")
    bench.write_text(BENCH, encoding="utf-8")
    return plan, bench


def write_csv(path: Path, values: np.ndarray | None = None) -> Path:
    """Times and volts as text."""
    shown = recording()[1] if values is None else values
    rows = "".join(f"{at:.6f},{value:.7g}\n" for at, value in zip(times_s(), shown, strict=True))
    path.write_text("time,CH1\n" + rows, encoding="utf-8")
    return path
