"""A recording of a rig at rest, as the check takes it, with whatever is planted in it."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np

from anviltrace.proof.still import StillReading
from anviltrace.records import ScaleKind, Settings

SETTINGS = Settings(
    id="settings",
    wire_id=1,
    rate_hz=1000.0,
    gain=128,
    group_delay_s=0.0,
    scale_kind=ScaleKind.RATIO,
    full_scale=3.90625,
    full_scale_code=1 << 23,
    saturation_low=-(1 << 23),
    saturation_high=(1 << 23) - 1,
    excitation_v=None,
    excitation_source="ratiometric",
)
"""An HX711's range at gain 128, at a rate it does not have: 0.4657 nV/V a count."""


def counts_at_rest(
    seconds: float = 20.0, sd: float = 40.0, zero: float = 5000.0, seed: int = 1
) -> np.ndarray:
    """White noise about a zero, at 1000 S/s."""
    noise = np.random.default_rng(seed).standard_normal(round(1000.0 * seconds))
    return np.rint(zero + sd * noise).astype(np.int32)


def at_rest(counts: np.ndarray | None = None, **changes: Any) -> StillReading:
    """A reading of these counts, sound unless told otherwise."""
    made = counts_at_rest() if counts is None else np.asarray(counts, np.int32)
    usual = StillReading((made,), SETTINGS, "sixth", 1000.2, 3e-6, 0)
    return replace(usual, **changes)
