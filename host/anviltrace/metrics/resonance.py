"""What the ring-down of the rig says about the blows of a run: bounds of their peaks, widths and rises.

The rig was tapped with the tool off, so this is the rig with its fitting alone. What rings between the blows
of a run is held against it.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
import numpy.typing as npt

from anviltrace.records import RingDown
from anviltrace.trace.response import LEAST_SWINGS, Bounds, ResponseTable, response_table
from anviltrace.trace.ring import estimate_ring
from anviltrace.trace.ringdown import ring_of

Numbers = npt.NDArray[np.float64]

ENOUGH_SWINGS = 16.0
"""From so many swings to a blow on resonance changes a peak by less than 2 % (damping 0.01)."""
OTHER_FREQUENCY = 0.05
"""Share by which what rings between blows may differ from the ring-down without a word."""
_COVERED = 2.0
"""Standard uncertainties of frequency and damping that the bounds allow for."""
_CROSSINGS = 0.5
"""Samples by which a base width may be read too long."""
_MAY = (
    "its resonance may raise or lower peaks, and stretch widths, by tens of percent, which no bound here"
    " contains"
)


@dataclass(frozen=True)
class Resonance:
    """The ring-down of a rig beside the blows of a run.

    ``base_s`` are their base widths without what the converter's filter widens, NaN where they are not known;
    ``step_s`` is the time between samples.
    """

    made: RingDown
    base_s: Numbers
    step_s: float

    @cached_property
    def swings(self) -> Numbers:
        """Observed fn·w of each blow, where its width is not known that of the usual one."""
        return self.made.natural_hz * np.where(np.isfinite(self.base_s), self.base_s, self._usual_s)

    @property
    def usual_swings(self) -> float:
        """That of a blow of the median width."""
        return self.made.natural_hz * self._usual_s

    @property
    def reason(self) -> str:
        """Why neither peak nor width nor rise can be stated; empty where they can."""
        if not self.usual_swings < LEAST_SWINGS:
            return ""
        return (
            f"the rig (natural frequency {self.made.natural_hz:.0f} Hz) swings only {self.usual_swings:.1f} "
            f"times within a blow; below {LEAST_SWINGS:g} this tells of the rig, not of the blow: impulse "
            "and mean torque do not suffer"
        )

    @property
    def flag(self) -> str:
        """What to say beside a peak or a width; empty where the rig is stiff enough."""
        if self.usual_swings >= ENOUGH_SWINGS:
            return ""
        high = float(self._table.peak(self._surely(self.usual_swings)).below)
        return (
            f"the rig (natural frequency {self.made.natural_hz:.0f} Hz) swings {self.usual_swings:.1f} times "
            f"within a blow (fn·w, below {self._limit:g}): a peak may read up to {high:.0%} high, which its "
            "bound contains"
        )

    def peak(self) -> Bounds:
        """Bounds of each blow's height, as shares of what is shown."""
        return self._table.peak(self._surely(self.swings))

    def width(self) -> Bounds:
        """Bounds of the usual width."""
        return self._table.width(self._surely(self.usual_swings))

    def rise(self) -> Bounds:
        """Bounds of the usual rise."""
        return self._table.rise(self._surely(self.usual_swings))

    @cached_property
    def _usual_s(self) -> float:
        known = self.base_s[np.isfinite(self.base_s)]
        return float(np.median(known)) if len(known) else float("nan")

    @property
    def _limit(self) -> float:
        return next(limit for limit in (4.0, 8.0, ENOUGH_SWINGS) if self.usual_swings < limit)

    def _surely(self, swings: Numbers | float) -> Numbers:
        """The fewest swings that frequency and width leave open."""
        made = self.made
        least_hz = made.natural_hz - _COVERED * made.natural_u_hz
        return np.asarray(swings / made.natural_hz - _CROSSINGS * self.step_s) * least_hz

    @cached_property
    def _table(self) -> ResponseTable:
        made = self.made
        open_to = _COVERED * made.damping_u
        return response_table(made.damping_ratio - open_to, made.damping_ratio + open_to)


def not_on_record(other_fittings: tuple[str, ...]) -> str:
    """What to say beside peaks and widths without a ring-down; ``other_fittings`` were tapped."""
    if not other_fittings:
        return f"the rig's natural frequency is not on record: {_MAY}"
    named = ", ".join(other_fittings)
    return f"the rig's natural frequency is not on record with this fitting (but with {named}): {_MAY}"


def rings_otherwise(values: Numbers, rate_hz: float, apex_s: Numbers, noise_sd: float, made: RingDown) -> str:
    """A flag where what rings between the blows has another frequency than the ring-down; else empty."""
    ring = estimate_ring(values, rate_hz, np.rint(apex_s * rate_hz).astype(np.int64), noise_sd)
    known = ring_of(made.natural_hz, made.damping_ratio, rate_hz)
    if ring is None or abs(ring.frequency_hz / known.frequency_hz - 1.0) <= OTHER_FREQUENCY:
        return ""
    return (
        f"between the blows {ring.frequency_hz:.0f} Hz ring, and the ring-down on record has "
        f"{made.natural_hz:.0f} Hz: the tool or a loose part rings along, so that the bounds of peaks and "
        "widths may not hold; tap anew"
    )
