"""What each blow was: level before and after, peak, impulse, width, rise, and what still rang.

Definitions (common practice, but for the impulse): see :class:`Blows`. How levels are read: ``rests``; peaks
and widths: ``outline``; the impulse: ``impulse``.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, fields
from typing import Any

import numpy as np
import numpy.typing as npt

from anviltrace.trace.finding import Found, find_blows
from anviltrace.trace.impulse import impulses
from anviltrace.trace.outline import BASE_OVER_FWHM, LEAST_FOR_PARABOLA, outlines
from anviltrace.trace.rate import doubles
from anviltrace.trace.rests import rests_around, ring_left
from anviltrace.trace.struck import struck

__all__ = ["BASE_OVER_FWHM", "LEAST_FOR_PARABOLA", "Blows", "Found", "find_blows", "joined", "measure_blows"]

Floats = npt.NDArray[np.float64]
Flags = npt.NDArray[np.bool_]
Indices = npt.NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class Blows:
    """Measured blows, arrays of shape (m,); values in the unit of the input, along the rotation.

    What cannot be known is NaN: a level on fewer than 5 quiet samples and what follows from it, a crossing
    that is not there. ``start_s`` (at 5 % of the height, interpolated; the first sample of the rise where
    that is not there) and ``apex_s`` count from sample 0 of the record. ``peak`` is the largest value
    (gross), ``net_peak`` that over ``level_before``: the median of half the interval before the blow.
    ``impulse`` is in the unit times seconds. ``width_s`` lies
    between the half heights and ``middle_s`` is half-way between them (the apex where they are not there):
    blows are timed by it, for noise and ring move an apex far more. ``rise_s`` lies between 10 and 90 % of
    the height. ``ring_left`` is the amplitude still ringing when the next blow comes, as a share of the net
    peak. ``quiet_samples`` is what ``level_after`` stands on. ``double`` marks the second blow of a double.
    ``piece`` numbers the stretches between gaps.
    """

    start_s: Floats
    apex_s: Floats
    peak: Floats
    net_peak: Floats
    level_before: Floats
    level_after: Floats
    impulse: Floats
    middle_s: Floats
    width_s: Floats
    rise_s: Floats
    ring_left: Floats
    quiet_samples: Indices
    double: Flags
    piece: Indices

    def __len__(self) -> int:
        return len(self.apex_s)


def measure_blows(
    values: npt.ArrayLike,
    rate_hz: float,
    found: Found,
    noise_sd: float,
    rotation: int = 1,
    first_index: int = 0,
) -> Blows:
    """Measure the blows ``found`` in one contiguous piece of a record.

    ``values``: shape (n,), unfiltered, in any unit (counts or N·m), ``noise_sd`` in the same; sample
    ``first_index`` of the record is their first.
    """
    if not len(found):
        return _no_blows()
    along = np.asarray(values, dtype=np.float64)
    record = struck(along if rotation > 0 else -along, rate_hz, found, noise_sd)
    before, after = rests_around(record)
    shape = outlines(record, before.level, after.level)
    first_s = first_index / rate_hz
    middle = np.where(np.isnan(shape.middle), shape.apex, shape.middle)
    start = np.where(np.isnan(shape.start), found.start_index, shape.start)
    return Blows(
        start_s=start / rate_hz + first_s,
        apex_s=shape.apex / rate_hz + first_s,
        peak=shape.peak,
        net_peak=shape.peak - before.level,
        level_before=before.level,
        level_after=after.level,
        impulse=impulses(record, shape, before, after),
        middle_s=middle / rate_hz + first_s,
        width_s=shape.width / rate_hz,
        rise_s=shape.rise / rate_hz,
        ring_left=ring_left(record, shape),
        quiet_samples=after.samples,
        double=doubles(middle / rate_hz),
        piece=np.zeros(len(found), dtype=np.int64),
    )


def _no_blows() -> Blows:
    whole = {"quiet_samples": np.int64, "piece": np.int64, "double": np.bool_}
    columns: dict[str, Any] = {f.name: np.zeros(0, whole.get(f.name, np.float64)) for f in fields(Blows)}
    return Blows(**columns)


def joined(pieces: Iterable[Blows]) -> Blows:
    """The blows of successive pieces as one; ``piece`` numbers them in order. None give no blows."""
    parts = list(pieces)
    if not parts:
        return _no_blows()
    columns = {f.name: np.concatenate([getattr(part, f.name) for part in parts]) for f in fields(Blows)}
    columns["piece"] = np.repeat(np.arange(len(parts)), [len(part) for part in parts])
    return Blows(**columns)
