"""Blows read behind a filter that somebody asked for: their peaks, widths and rises, and nothing else.

Impulse, levels and means are taken without it: it keeps areas and levels, so it could only blur where they
begin and end.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from anviltrace.trace.blows import Blows, Found, measure_blows
from anviltrace.trace.filters import (
    FILTERS,
    ChannelFilter,
    cap_kept,
    cutoff_hz,
    filtered,
    memory_s,
    noise_kept,
    nominal_hz,
    peak_kept,
    why_too_slow,
)

Numbers = npt.NDArray[np.float64]

NONE = "none"
_REACH_S = 0.002
"""The filtered apex lies so close to the other one."""


@dataclass(frozen=True, slots=True)
class BlowFilter:
    """A filter at the rate of a record; without ``chosen`` it changes nothing."""

    chosen: ChannelFilter | None
    rate_hz: float

    @property
    def reason(self) -> str:
        """Why the record cannot be filtered so; empty where it can, or need not."""
        return "" if self.chosen is None else why_too_slow(self.chosen, self.rate_hz)

    @property
    def words(self) -> str:
        """The filter as it stands beside numbers."""
        if self.chosen is None:
            return NONE
        if self.reason:
            return f"{self.chosen.name}, not possible: {self.reason}"
        return (
            f"{self.chosen.name} ({self.chosen.standard}), forward and backward, −3 dB at "
            f"{cutoff_hz(self.chosen, self.rate_hz):.0f} Hz at this rate (nominally "
            f"{nominal_hz(self.chosen):.0f} Hz); on peaks, widths and rises only"
        )

    @property
    def noise_kept(self) -> float:
        """Share of its standard deviation that noise keeps in a filtered peak."""
        return 1.0 if self._off else noise_kept(self._sure, self.rate_hz)

    def kept(self, base_s: Numbers) -> tuple[Numbers, Numbers]:
        """Least and largest share of its height that a blow of these base widths keeps, half a sine or the
        cap of one; 1 without a filter. It may keep a little more than there was."""
        if self._off:
            return np.ones(base_s.shape), np.ones(base_s.shape)
        shares = [share(self._sure, self.rate_hz, base_s) for share in (peak_kept, cap_kept)]
        return np.minimum(np.fmin(*shares), 1.0), np.maximum(np.fmax(*shares), 1.0)

    def flag(self, base_s: float) -> str:
        """What to say beside a peak of blows of this base width; empty without a filter."""
        if self._off:
            return ""
        share = float(peak_kept(self._sure, self.rate_hz, base_s))
        return (
            f"behind {self._sure.name}, which leaves {share:.0%} of such peaks: of half a sine as wide as "
            f"these blows ({1e3 * base_s:.2g} ms at its base); what it may have taken off is in the bound"
        )

    @property
    def width_flag(self) -> str:
        """What to say beside a width or a rise; empty without a filter."""
        return (
            "" if self._off else f"behind {self._sure.name}, which widens blows: by how much is in the bound"
        )

    def edge_flag(self, blows: Blows, pieces_s: list[tuple[float, float]]) -> str:
        """A flag where blows lie so close to an end of a piece (from, to) that its continuation shows."""
        if self._off:
            return ""
        reach_s = memory_s(self._sure)
        begin, end = (np.array([piece[side] for piece in pieces_s])[blows.piece] for side in (0, 1))
        close = int(np.count_nonzero((blows.apex_s < begin + reach_s) | (blows.apex_s > end - reach_s)))
        if not close:
            return ""
        return (
            f"blows within {1e3 * reach_s:.0f} ms of the record's ends or a gap: {close}; {self._sure.name} "
            "fills in there what it does not see"
        )

    def apply(self, values: Numbers) -> Numbers:
        """``values`` behind the filter; the same where it is off."""
        return values if self._off else filtered(values, self.rate_hz, self._sure)

    def outlines(self, values: Numbers, found: Found, blows: Blows, noise_sd: float) -> Blows:
        """``blows`` with peaks, widths and rises as ``values``, one piece behind the filter, show them."""
        if self._off or not len(found):
            return blows
        moved = replace(found, apex_index=_apexes(values, found, round(_REACH_S * self.rate_hz)))
        shown = measure_blows(values, self.rate_hz, moved, noise_sd)
        net_peak = shown.peak - blows.level_before
        return replace(blows, peak=shown.peak, net_peak=net_peak, width_s=shown.width_s, rise_s=shown.rise_s)

    @property
    def _off(self) -> bool:
        return self.chosen is None or bool(self.reason)

    @property
    def _sure(self) -> ChannelFilter:
        assert self.chosen is not None
        return self.chosen


def blow_filter(name: str, rate_hz: float) -> BlowFilter:
    """The filter of this name (one of :data:`FILTERS`), or none for an empty one."""
    return BlowFilter(FILTERS[name] if name else None, rate_hz)


def _apexes(values: Numbers, found: Found, reach: int) -> npt.NDArray[np.int64]:
    """The largest sample around each apex, not beyond the blow's neighbours."""
    before = np.concatenate(([0], found.apex_index[:-1] + 1))
    first = np.maximum(before, found.apex_index - reach)
    last = np.minimum(found.end_index, found.apex_index + reach + 1)
    spans = zip(first.tolist(), last.tolist(), strict=True)
    return np.array([begin + int(values[begin:end].argmax()) for begin, end in spans], dtype=np.int64)
