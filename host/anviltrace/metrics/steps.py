"""Converters whose steps are uneven by far more than their noise, in what they may be off.

The ADC of an RP2040. A published characterisation of one Pico has its codes up to 7.85 steps off the straight
line (integral non-linearity) and single steps up to 8.9 too wide; its erratum RP2040-E11 names the four wide
codes. 7.85 steps are 0.2 % of the whole range, 0.4 % of what is to either side of mid-scale. Another chip has
another curve, so nothing is corrected: a reading is taken as off by anything within that, whatever noise and
average. For an RP2350, whose wide codes are mended (from memory), the same is assumed.

An input within a wide code gives one and the same code, noise or not. So a level there looks like a plateau,
and steadier than it is; over 10 of 1024 steps that is so.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

_MIDDLE = 2048
_OFF_STEPS = 7.85
_WIDE_CODES = (512, 1536, 2560, 3584)
_WIDE_STEPS = 9.9
_NEAR_STEPS = 1.0
"""A level at the edge of a wide code is drawn to it; this far from it noise still shows."""
_LEAST_S = 0.005
_LEAST_SAMPLES = 5


@dataclass(frozen=True, slots=True)
class Steps:
    """In counts: a ``step`` of the converter, how far a code may lie ``off`` its line, and the codes that are
    ``wide`` by as much as ``width``.
    """

    step: float
    off: float
    wide: tuple[float, ...] = ()
    width: float = 0.0

    def wide_at(self, counts: float) -> float | None:
        """The wide code that a level lies on, in counts; None where it lies on none."""
        near = [code for code in self.wide if abs(counts - code) <= _NEAR_STEPS * self.step]
        return near[0] if near else None

    def samples_on_wide(self, counts: npt.NDArray[np.int32], rate_hz: float) -> dict[float, int]:
        """For each wide code how many samples stay on it for 5 ms and more, codes without any left out."""
        least = max(_LEAST_SAMPLES, round(_LEAST_S * rate_hz))
        found = {}
        for code in self.wide:
            there = np.abs(counts - code) <= _NEAR_STEPS * self.step
            ends = np.flatnonzero(np.diff(np.concatenate(([False], there, [False])).astype(np.int8)))
            lengths = ends[1::2] - ends[::2]
            if samples := int(lengths[lengths >= least].sum()):
                found[code] = samples
        return found


def steps_of(converter: str, full_scale_code: int) -> Steps | None:
    """The steps of ``converter`` where full scale is so many counts; None for those that are even enough."""
    if not converter.startswith("ownadc"):
        return None
    step = full_scale_code / _MIDDLE
    if converter != "ownadc":
        return Steps(step, _OFF_STEPS * step)
    wide = tuple((code - _MIDDLE) * step for code in _WIDE_CODES)
    return Steps(step, _OFF_STEPS * step, wide, _WIDE_STEPS * step)
