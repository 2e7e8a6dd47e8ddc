"""The onset: the first sample at which the tool is seen to act, found while samples arrive.

The rule (common practice): the signal departs from the quiet stretch before the drive by more than the
larger of 5 standard deviations and 2 % of the range, and stays beyond half of that for at least 3 of the
next 5 samples; the onset is the sample after the last one before it within 1 standard deviation.

Three things are ours. Before a calibration the range in N·m is not known and that of the converter says
nothing about the rig, so the range is taken as :data:`RANGE_MV_PER_V`, a low one for strain gauges. And
where blows are shorter than the rule can see (0.5 ms at 2 kS/s is one sample), three departures within a
quarter of a second count as well: a tool strikes again, a disturbance does not. And the way back is
10 ms long at most (2 samples of a slow converter) and ends within 1 standard deviation of the middle of that
stretch too: a nut that spins down its thread holds a small torque for half a second before the first blow,
and the drive is counted from the blow.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from anviltrace.records import ScaleKind, Settings

Counts = npt.NDArray[np.int32]
Floats = npt.NDArray[np.float64]

SIGMAS = 5.0
RANGE_MV_PER_V = 0.5
SHARE_OF_RANGE = 0.02
USUAL_EXCITATION_V = 5.0
"""Taken for the threshold, and for nothing else, where a board does not tell its excitation."""

LOOK_AHEAD = 5
NEEDED = 3

BACK_S = 0.01
BACK_SAMPLES = 2
"""How far before the departure the onset may lie: the longer of the two."""

EARLY_RELEASE_S = 0.3
"""Blows that end this long before the signal to release mean that the trigger was let go early."""

BLOWS = 3
BLOWS_WITHIN_S = 0.25
BLOWS_APART_S = 0.02
"""From the first departure to the last of them at least: a single knock may ring for milliseconds."""


@dataclass(frozen=True, slots=True)
class Baseline:
    """Level and scatter of the quiet stretch, and the least departure that matters, in counts."""

    mean_counts: float
    sd_counts: float
    floor_counts: float

    @property
    def threshold_counts(self) -> float:
        """How far from the mean a sample has to be."""
        return max(SIGMAS * self.sd_counts, self.floor_counts)


def floor_counts(settings: Settings) -> float:
    """2 % of the range of a strain-gauge transducer, in counts at these settings."""
    floor_mv_per_v = SHARE_OF_RANGE * RANGE_MV_PER_V
    if settings.scale_kind is ScaleKind.RATIO:
        return floor_mv_per_v / settings.full_scale * settings.full_scale_code
    excitation_v = settings.excitation_v or USUAL_EXCITATION_V
    return floor_mv_per_v * 1e-3 * excitation_v / settings.full_scale * settings.full_scale_code


def baseline(counts: Counts, least_counts: float) -> Baseline:
    """Mean and standard deviation of the quiet stretch ``counts`` (at least 2 samples, else ValueError)."""
    if len(counts) < 2:
        raise ValueError(f"{len(counts)} samples make no baseline; at least 2 are needed")
    return Baseline(float(np.mean(counts)), float(np.std(counts, ddof=1)), least_counts)


class OnsetFinder:
    """Looks for the onset in blocks of counts as they come.

    Departures to either side count, so that a bridge wired the other way round costs no run;
    ``against_rotation`` says so once the onset is found. ``sign`` is that of the rotation, +1 clockwise.
    """

    def __init__(self, quiet: Baseline, sign: int, rate_hz: float) -> None:
        self._quiet = quiet
        self._sign = sign
        self._rate_hz = rate_hz
        self._most_kept = 64 + round(2 * BLOWS_WITHIN_S * rate_hz)
        self._kept = np.empty(0, np.float64)
        self._kept_index = 0
        self.against_rotation = False

    def feed(self, first_index: int, counts: Counts) -> int | None:
        """Take ``counts`` starting at sample ``first_index``; return the onset's index once it is found."""
        if first_index != self._kept_index + len(self._kept):  # a gap: start anew behind it
            self._kept, self._kept_index = np.empty(0, np.float64), first_index
        departure = self._sign * (counts - self._quiet.mean_counts)
        self._kept = np.concatenate((self._kept, departure))
        found = find_onset(self._kept, self._quiet, self._rate_hz)
        if found is not None:
            onset, side = found
            self.against_rotation = side < 0
            return self._kept_index + onset
        spare = max(0, len(self._kept) - self._most_kept)
        self._kept, self._kept_index = self._kept[spare:], self._kept_index + spare
        return None


def find_onset(departure: Floats, quiet: Baseline, rate_hz: float) -> tuple[int, int] | None:
    """Index of the onset in ``departure`` and the side it goes to (+1 or -1), or None.

    ``departure`` is the signal less the baseline, in counts, positive along the rotation, shape (n,).
    """
    limit = quiet.threshold_counts
    beyond = np.abs(departure) > limit
    if not beyond.any():
        return None
    starts = beyond.copy()
    starts[1:] &= ~beyond[:-1]
    crossings = starts.nonzero()[0]
    for index in crossings.tolist():
        side = 1 if departure[index] > 0 else -1
        if _stays(side * departure, index, limit / 2) or _recurs(crossings, index, rate_hz):
            return _step_back(side * departure, index, quiet.sd_counts, rate_hz), side
    return None


def _step_back(departure: Floats, index: int, sd: float, rate_hz: float) -> int:
    first = max(0, index - max(BACK_SAMPLES, round(BACK_S * rate_hz)))
    before = departure[first:index]
    if not len(before):
        return index
    rest = max(0.0, float(np.median(before)))
    within = np.flatnonzero(before <= rest + sd)
    return first + int(within[-1]) + 1 if len(within) else first


def _stays(departure: Floats, index: int, limit: float) -> bool:
    following = departure[index + 1 : index + 1 + LOOK_AHEAD]
    return int(np.count_nonzero(following > limit)) >= NEEDED


def _recurs(crossings: npt.NDArray[np.intp], index: int, rate_hz: float) -> bool:
    later_s = (crossings[crossings > index] - index) / rate_hz
    later_s = later_s[later_s <= BLOWS_WITHIN_S]
    return len(later_s) >= BLOWS - 1 and bool(later_s[-1] >= BLOWS_APART_S)


def last_activity(departure: Floats, quiet: Baseline, window: int) -> int | None:
    """Index of the last sample at which the tool still struck: the last quick change, or None.

    A change of more than the threshold within ``window`` samples is a blow; a retained level is not.
    """
    if len(departure) <= window:
        return None
    change = np.abs(departure[window:] - departure[:-window])
    quick = np.flatnonzero(change > quiet.threshold_counts)
    return int(quick[-1]) + window if len(quick) else None
