"""What goes with the recording of :mod:`elsewhere`: supply and handle, in one text file on its time axis."""

from __future__ import annotations

from pathlib import Path

import elsewhere
import numpy as np
from elsewhere import QUIET_S, RATE_HZ

OPEN_V, INNER_OHM, REST_A, DRIVE_A, RIPPLE_A = 20.0, 0.05, 0.0, 40.0, 10.0
ON_S = QUIET_S - 0.1
"""The tool is switched on a tenth of a second before the first blow; seconds from the first sample."""
SHAKE_M_PER_S2, SHAKE_HZ = 100.0, 80.0
ADDED_POINTS = ("CH2", "CH3", "AX", "AY", "AZ")


def off_s() -> float:
    """The tool is switched off right after the last blow."""
    return float(elsewhere.recording()[0].apex_s[-1]) + 0.005


def columns(noise: float = 1.0) -> dict[str, np.ndarray]:
    """Volts, amperes and three axes in g; noise as a share of 5 mV, 0.05 A and 0.05 g."""
    at = np.arange(len(elsewhere.times_s())) / RATE_HZ
    random = np.random.default_rng(21)
    driven = (at >= ON_S) & (at < off_s())
    amperes = np.where(driven, DRIVE_A + RIPPLE_A * np.sin(2.0 * np.pi * 25.0 * at), REST_A)
    shake = np.where(driven, SHAKE_M_PER_S2 * np.sin(2.0 * np.pi * SHAKE_HZ * at), 0.0) / 9.80665
    made = {
        "CH2": OPEN_V - INNER_OHM * amperes,
        "CH3": amperes / 100.0,
        "AX": shake,
        "AY": 0.5 * shake + 1.0,
        "AZ": np.zeros_like(at),
    }
    sds = dict(zip(ADDED_POINTS, (0.005, 0.0005, 0.05, 0.05, 0.05), strict=True))
    return {name: one + noise * sds[name] * random.standard_normal(at.size) for name, one in made.items()}


WISHES = (
    "supply voltage=CH2:v:0.5%+0.02",
    "supply current=CH3:100a:1%+0.2",
    "handle acceleration x=AX:g:3%",
    "handle acceleration y=AY:g:3%",
    "handle acceleration z=AZ:g:3%",
)


def write(path: Path, start_s: float = -0.1) -> Path:
    """A file with torque as CH1 and everything else beside it, times from ``start_s`` on."""
    made = {"CH1": elsewhere.recording()[1], **columns()}
    times = elsewhere.times_s() - elsewhere.times_s()[0] + start_s
    table = np.column_stack([times, *made.values()])
    np.savetxt(path, table, fmt="%.7g", delimiter=",", header="time," + ",".join(made), comments="")
    return path
