"""The onset: the first sample at which the tool is seen to act, found while samples arrive.

The rule (common practice): torque along the rotation exceeds the baseline by the larger of 5 standard
deviations of the quiet stretch and a floor, and stays above half of that for at least 3 of the next
5 samples; the onset is then the last crossing of 1 standard deviation before it. The floor is
:data:`FLOOR_COUNTS`, not a share of full scale: before a calibration the range of the converter says
nothing about the torque at hand.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Counts = npt.NDArray[np.int32]

SIGMAS = 5.0
FLOOR_COUNTS = 64.0
LOOK_AHEAD = 5
NEEDED = 3
_KEPT = 4096
"""Samples kept behind the search, for the step back to 1 standard deviation."""


@dataclass(frozen=True, slots=True)
class Baseline:
    """Level and scatter of the quiet stretch before the drive, in counts."""

    mean_counts: float
    sd_counts: float

    @property
    def threshold_counts(self) -> float:
        """How far from the mean a sample has to be."""
        return max(SIGMAS * self.sd_counts, FLOOR_COUNTS)


def baseline(counts: Counts) -> Baseline:
    """Mean and standard deviation of the quiet stretch ``counts`` (at least 2 samples, else ValueError)."""
    if len(counts) < 2:
        raise ValueError(f"{len(counts)} samples make no baseline; at least 2 are needed")
    return Baseline(float(np.mean(counts)), float(np.std(counts, ddof=1)))


class OnsetFinder:
    """Looks for the onset in blocks of counts as they come.

    ``sign`` is +1 for clockwise and -1 for counter-clockwise; a preset joint that is loosened starts on the
    other side of zero, so departures of either sign count when ``either`` is set.
    """

    def __init__(self, quiet: Baseline, sign: int, either: bool = False) -> None:
        self._quiet = quiet
        self._sign = sign
        self._either = either
        self._kept = np.empty(0, np.float64)
        self._kept_index = 0
        self._searched = 0

    def feed(self, first_index: int, counts: Counts) -> int | None:
        """Take ``counts`` starting at sample ``first_index``; return the onset's index once it is found."""
        if len(self._kept) and first_index != self._kept_index + len(self._kept):
            self._kept = np.empty(0, np.float64)  # a gap: start anew behind it
        if not len(self._kept):
            self._kept_index = first_index
            self._searched = 0
        self._kept = np.concatenate((self._kept, self._departure(counts)))
        found = find_onset(self._kept, self._quiet, self._searched)
        if found is not None:
            return self._kept_index + found
        self._searched = max(0, len(self._kept) - LOOK_AHEAD)
        spare = len(self._kept) - _KEPT
        if spare > 0:
            self._kept = self._kept[spare:]
            self._kept_index += spare
            self._searched = max(0, self._searched - spare)
        return None

    def _departure(self, counts: Counts) -> npt.NDArray[np.float64]:
        departure = counts.astype(np.float64) - self._quiet.mean_counts
        return np.abs(departure) if self._either else self._sign * departure


def find_onset(departure: npt.NDArray[np.float64], quiet: Baseline, start: int = 0) -> int | None:
    """Index of the onset in ``departure`` (counts from the baseline, along the rotation), or None.

    The search begins at ``start`` and leaves the last few samples, which cannot be confirmed yet.
    """
    limit = quiet.threshold_counts
    last = len(departure) - LOOK_AHEAD
    above = np.flatnonzero(departure[start : max(last, start)] > limit) + start
    for index in above:
        if np.count_nonzero(departure[index + 1 : index + 1 + LOOK_AHEAD] > limit / 2) >= NEEDED:
            quiet_before = np.flatnonzero(departure[: index + 1] <= quiet.sd_counts)
            return int(quiet_before[-1]) + 1 if len(quiet_before) else int(index)
    return None


def last_activity(departure: npt.NDArray[np.float64], quiet: Baseline, window: int) -> int | None:
    """Index of the last sample at which the tool still struck: the last quick change, or None.

    A change of more than the threshold within ``window`` samples is a blow; a retained level is not.
    """
    if len(departure) <= window:
        return None
    change = np.abs(departure[window:] - departure[:-window])
    quick = np.flatnonzero(change > quiet.threshold_counts)
    return int(quick[-1]) + window if len(quick) else None
