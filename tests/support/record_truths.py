"""What is true of a drawn record, by the definitions of the catalogue, worked out apart from the code that is
judged: from the pulses themselves, or from the torque on the fine grid.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from drawn_records import SLOW_HZ, START, Drawn, relaxed_nm
from scipy.optimize import curve_fit

from anviltrace.records import RigKind

Floats = np.ndarray
Key = tuple[str, float | None]
_SINGLE_S = 1e-3


@dataclass(frozen=True)
class Truths:
    """True values by name and mark; those of the torque that was applied, and as the converter ``shows`` it.

    ``beyond`` holds thresholds that are never reached.
    """

    applied: dict[Key, float]
    shown: dict[Key, float]
    beyond: frozenset[Key]
    ring_left: float
    highest_nm: float
    shown_width_s: float


def truths(one: Drawn) -> Truths:
    """All that is known of a record."""
    return Teller(one).told()


class Teller:
    """Works it out; ``start_s`` are the starts of the blows on the fine grid's clock."""

    def __init__(self, one: Drawn) -> None:
        self.one, self.pulses = one, one.struck.pulses
        self.apex = np.asarray(self.pulses.apex_nm, dtype=np.float64)
        self.peak = np.broadcast_to(np.asarray(self.pulses.peak_nm, dtype=np.float64), self.apex.shape)
        fields = ("level_before_nm", "level_after_nm", "threshold_before_nm", "threshold_after_nm")
        self.before, self.after, self.hold_before, self.hold_after = (
            np.broadcast_to(np.asarray(getattr(self.pulses, name), dtype=np.float64), self.apex.shape)
            for name in fields
        )
        self.start_s = one.struck.start_s + self._foot(START)
        self.apex_s = one.struck.start_s + 0.5 * one.bench.width_s
        self.net = self.apex - self.before

    def told(self) -> Truths:
        applied: dict[Key, float] = {}
        shown: dict[Key, float] = {}
        beyond: set[Key] = set()
        applied |= self._blows() | self._rhythm() | self._levels()
        if self.one.bench.kind is RigKind.HELD and not self.one.bench.loosening:
            applied |= self._climb()
            times, never = self._times()
            applied |= times
            beyond |= never
        if self.one.bench.kind is not RigKind.HELD:
            applied |= self._peaks_at_marks()
        shown |= self._outlines()
        widths = shown[("width_median", None)]
        return Truths(
            applied, shown, frozenset(beyond), self._ring_left(), float(self.one.shown.max()), 1e-3 * widths
        )

    def _foot(self, share: float) -> Floats:
        """When a blow has risen by a share of its height, seconds after it began."""
        sine = (self.hold_before + share * (self.apex - self.before)) / self.peak
        return np.arcsin(np.clip(sine, 0.0, 1.0)) * self.one.bench.width_s / math.pi

    def _fall(self, share: float) -> Floats:
        """When it has fallen to a share of its height over the level after."""
        sine = (self.hold_after + share * (self.apex - self.after)) / self.peak
        return self.one.bench.width_s * (1.0 - np.arcsin(np.clip(sine, 0.0, 1.0)) / math.pi)

    @cached_property
    def end_s(self) -> float:
        return float(min(self.start_s[-1], self.start_s[0] + self.one.drive_s))

    @cached_property
    def driven(self) -> Floats:
        return self.start_s <= self.end_s + 0.5 / self.one.bench.rate_hz

    @cached_property
    def single(self) -> Floats:
        return self.driven & ~self.one.struck.double

    def _blows(self) -> dict[Key, float]:
        stretch, single = self.one.stretch, self.single
        impulse = np.asarray(self.pulses.impulse_nms) * stretch
        group = np.cumsum(~self.one.struck.double) - 1
        together = np.bincount(group[self.driven], weights=impulse[self.driven])
        width = 1e3 * stretch * (self._fall(0.5) - self._foot(0.5))
        rise = 1e3 * stretch * (self._foot(0.9) - self._foot(0.1))
        shape = impulse / (self.net * 1e-3 * width)
        found = {
            "blow_count": float(single.sum()),
            "impulse_mean": float(together.mean()),
            "impulse_squared": float(np.mean(together**2)),
            "peak_impulse": float(np.mean((self.net * impulse)[single])),
            "peak_mean": float(self.apex[single].mean()),
            "net_peak_mean": float(self.net[single].mean()),
            "peak_max": float(self.apex[single].max()),
            "maximum_torque": float(self.apex.max()),
            "width_median": float(np.median(width[single])),
            "rise_median": float(np.median(rise[single])),
            "shape_number": float(np.median(shape[single])),
            "time_zero": float(self.start_s[0]) - self.one.first_s,
        }
        return {(name, None): value for name, value in found.items()}

    def _rhythm(self) -> dict[Key, float]:
        bench, stretch = self.one.bench, self.one.stretch
        times = self.apex_s[self.single]
        intervals = np.diff(times)
        usual = 1.0 / bench.blows_per_s
        missed = np.where(intervals > 1.5 * usual, np.rint(intervals / usual) - 1.0, 0.0)
        normal = stretch * intervals[missed == 0]
        found = {"missed_blows": float(missed.sum())}
        found["double_blows"] = float((self.driven & self.one.struck.double).sum())
        if intervals.size:
            found["blow_rate_mean"] = intervals.size / (stretch * float(intervals.sum()))
        if normal.size >= 2:
            sd = float(np.std(normal, ddof=1))
            found["interval_median"] = 1e3 * float(np.median(normal))
            found["blow_rate"] = 1.0 / float(np.median(normal))
            found["interval_sd"], found["interval_cv"] = 1e3 * sd, 100.0 * sd / float(normal.mean())
        blows = self._blows()
        if "blow_rate_mean" in found:
            found["impulse_rate"] = blows[("impulse_mean", None)] * found["blow_rate_mean"]
        return {(name, None): value for name, value in found.items()}

    def _window_s(self) -> tuple[float, float]:
        """The drive window: from the first blow, or from the onset where a slow converter sees it later."""
        begin_s = late_s = float(self.start_s[0])
        onset = self.one.facts.context.run.onset_index
        if self.one.bench.rate_hz < SLOW_HZ and onset is not None:
            late_s = max(begin_s, onset / self.one.bench.rate_hz)
        return late_s, self.end_s + late_s - begin_s

    def _levels(self) -> dict[Key, float]:
        one = self.one
        area = np.concatenate(([0.0], np.cumsum(0.5 * (one.applied[1:] + one.applied[:-1]))))
        begin_s, end_s = self._window_s()
        first, last = np.interp(np.array([begin_s, end_s]) / one.step_s, np.arange(area.size), area)
        mean = (last - first) * one.step_s / (end_s - begin_s)
        found: dict[Key, float] = {("mean_torque", None): float(mean)}
        if one.bench.kind is not RigKind.HELD:
            return found
        along = -1.0 if one.bench.loosening else 1.0
        lost = relaxed_nm(one, 0.05, 0.2) if one.bench.climb == "relaxing" else 0.0
        found["retained_final", None] = along * float(self.after[-1]) - lost
        for mark in one.marks_s:
            at = self.start_s[0] + mark
            passed = int(np.searchsorted(self.apex_s, at, side="right"))
            kept = along * float(np.append(self.before[0], self.after)[passed])
            since_s = at - self.apex_s[-1]
            relaxes = one.bench.climb == "relaxing" and since_s > 0.0
            found["retained_at", mark] = kept - (relaxed_nm(one, since_s, since_s) if relaxes else 0.0)
        return found

    def _peaks_at_marks(self) -> dict[Key, float]:
        """The peak of the blow that is nearest to the mark."""
        single = ~self.one.struck.double
        times, peaks = self.apex_s[single], self.apex[single]
        return {
            ("peak_at", mark): float(peaks[np.argmin(np.abs(times - self.start_s[0] - mark))])
            for mark in self.one.marks_s
        }

    def _times(self) -> tuple[dict[Key, float], set[Key]]:
        found: dict[Key, float] = {}
        beyond: set[Key] = set()
        levels = np.append(self.before[0], self.after)
        readable = np.append(True, ~np.append(self.one.struck.double[1:], False))  # not between two strikes
        readable[-1] = self.one.bench.climb != "relaxing"  # that level falls while it is read
        for target in self.one.thresholds_nm:
            reached = np.flatnonzero(levels >= target)
            if not (levels[readable] >= target).any():
                beyond.add(("time_to", target))
            if reached.size:
                place = int(reached[0])
                after_s = self.apex_s[place - 1] - self.start_s[0] if place else 0.0
                found["time_to", target] = self.one.stretch * float(after_s)
        return found, beyond

    def _climb(self) -> dict[Key, float]:
        one, struck = self.one, self.one.struck
        read = self.driven & ~np.append(struck.double[1:], False)  # not between the strikes of a double
        times = one.stretch * (self.apex_s - self.start_s[0])[read]
        levels, smooth = self.after[read], struck.climb_nm[read]
        found: dict[str, float] = {}
        if math.isfinite(struck.tau_s):
            found["climb_end"], found["climb_tau"] = struck.end_nm, one.stretch * struck.tau_s
            if (scatter := _scatter(times, levels, struck)) is not None:
                found["climb_rms"] = scatter
        if math.isfinite(struck.gain) and not one.struck.double.any():
            found["climb_gain"] = struck.gain
        if np.isfinite(smooth).all() and levels.size >= 5:
            last = times >= times[-1] - min((times[-1] - times[0]) / 3.0, 2.0)
            if last.sum() >= 3:
                slope = float(np.polyfit(times[last], smooth[last], 1)[0])
                found["plateau_slope"] = slope
                found["plateau_percent"] = 100.0 * slope / float(smooth[last].mean())
        steady = one.bench.climb != "relaxing"  # there the last level falls while it is read
        if steady and levels.size >= 5 and (straight := _departure(times, levels)) is not None:
            found["climb_linearity"] = straight
        if one.bench.climb == "relaxing":
            found["relaxation"] = relaxed_nm(one, 9.95, 10.05) - relaxed_nm(one, 0.05, 0.15)
        return {(name, None): value for name, value in found.items()}

    def _outlines(self) -> dict[Key, float]:
        """Width, rise and shape number as the converter shows them, without noise, on the fine grid."""
        one, stretch = self.one, self.one.stretch
        rows = [self._outline(place) for place in np.flatnonzero(self.single)]
        width, rise, net, start = np.array(rows).T
        impulse = np.asarray(self.pulses.impulse_nms)[self.single]
        shape = impulse / (net * width)
        return {
            ("width_median", None): 1e3 * stretch * float(np.nanmedian(width)),
            ("rise_median", None): 1e3 * stretch * float(np.nanmedian(rise)),
            ("shape_number", None): float(np.nanmedian(shape)),
            ("peak_mean", None): float(np.mean(net + self.before[self.single])),
            ("net_peak_mean", None): float(np.mean(net)),
            ("time_zero", None): float(start[0]) - one.first_s,
            ("onset", None): self._onset() - one.first_s,
        }

    def _onset(self) -> float:
        """When the torque that is shown leaves the noise, seconds."""
        one = self.one
        until = round((one.struck.start_s[0] + one.bench.width_s + sum(one.facts.boxcars_s)) / one.step_s)
        rising = one.shown[: int(one.shown[:until].argmax())]
        within = np.abs(rising - one.shown[0]) <= one.noise_nm
        return float(np.flatnonzero(within)[-1] + 1) * one.step_s

    def _outline(self, place: int) -> tuple[float, float, float, float]:
        """Width, rise (s), height over the level before (N·m) and start (s) of one blow as it is shown."""
        one, width_s = self.one, self.one.bench.width_s
        start, swing_s = one.struck.start_s[place], 1.0 / one.bench.natural_hz
        smeared_s = sum(one.facts.boxcars_s)
        first = max(0, round((start - 0.3 * width_s - 0.5 * smeared_s) / one.step_s))
        last = round((start + 1.5 * width_s + swing_s + smeared_s) / one.step_s)
        part = one.shown[first:last]
        top, low, high = int(part.argmax()), self.before[place], self.after[place]
        peak = float(part[top])
        rises = [
            _crossing(part[: top + 1][::-1], low + share * (peak - low)) for share in (START, 0.1, 0.5, 0.9)
        ]
        fall = _crossing(part[top:], high + 0.5 * (peak - high))
        width = (fall + rises[2]) * one.step_s
        begin = (first + top - rises[0]) * one.step_s
        return width, (rises[1] - rises[3]) * one.step_s, peak - low, begin

    def _ring_left(self) -> float:
        """Median amplitude, over the net peak, that swings in the last period before the next blow."""
        one = self.one
        period = max(2, round(1.0 / one.bench.natural_hz / one.step_s))
        left = []
        for place in range(len(self.apex) - 1):
            end = round((one.struck.start_s[place + 1] - 0.5 * sum(one.facts.boxcars_s)) / one.step_s)
            part = one.shown[end - period : end] - self.after[place]
            left.append(float(np.abs(part).max()) / self.net[place])
        return float(np.median(left))


def _crossing(falling: Floats, threshold: float) -> float:
    """Points from the first on until values that fall cross a threshold; NaN where they do not."""
    below = np.flatnonzero(falling < threshold)
    if not below.size or below[0] == 0:
        return math.nan
    place = int(below[0])
    share = (falling[place - 1] - threshold) / (falling[place - 1] - falling[place])
    return place - 1 + float(share)


def _scatter(times: Floats, levels: Floats, struck: object) -> float | None:
    """Root mean square of what the best exponential leaves of the true levels."""

    def model(time_s: Floats, end: float, start: float, tau_s: float) -> Floats:
        return end - (end - start) * np.exp(-time_s / tau_s)

    if levels.size < 8:
        return None
    guess = (struck.end_nm, float(levels[0]), struck.tau_s)  # type: ignore[attr-defined]
    try:
        best, _ = curve_fit(model, times, levels, guess, maxfev=4000)
    except RuntimeError:
        return None
    return float(np.sqrt(np.mean((levels - model(times, *best)) ** 2)))


def _departure(times: Floats, levels: Floats) -> float | None:
    """Largest departure from the best line between 10 and 90 % of the last level, in percent of the rise."""
    low = int(np.argmax(levels >= 0.1 * levels[-1]))
    high = int(np.argmax(levels >= 0.9 * levels[-1])) + 1
    if high - low < 5:
        return None
    part, at = levels[low:high], times[low:high]
    line = np.polyval(np.polyfit(at - at.mean(), part, 1), at - at.mean())
    return 100.0 * float(np.abs(part - line).max()) / float(part[-1] - part[0])
