"""Simulated taps on a transducer: short pulses into the resonator of the virtual rig, sampled, with noise."""

from __future__ import annotations

import numpy as np

from anviltrace.virtual.rig import Resonator

_OVER = 8


def tapped(
    natural_hz: float,
    damping: float,
    rate_hz: float = 30_000.0,
    *,
    taps: int = 3,
    noise: float = 0.02,
    contact_s: float = 0.3e-3,
    apart_s: float = 0.6,
    seed: int = 1,
) -> np.ndarray:
    """Half a second of quiet, then ``taps`` taps with a height of about 8, one each ``apart_s``."""
    rng = np.random.default_rng(seed)
    fine_hz = _OVER * rate_hz
    times = np.arange(round((0.5 + taps * apart_s) * fine_hz)) / fine_hz
    applied = np.zeros(times.size)
    for number in range(taps):
        since = times - 0.5 - number * apart_s - rng.uniform(0.0, 1e-3)
        struck = (since > 0.0) & (since < contact_s)
        applied[struck] += rng.uniform(6.0, 10.0) * np.sin(np.pi * since[struck] / contact_s)
    shown = Resonator(natural_hz, damping, 1.0 / fine_hz).respond(applied)[::_OVER]
    return np.asarray(shown + noise * rng.standard_normal(shown.size))
