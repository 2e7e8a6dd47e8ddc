"""What the metrics of one run are computed from: its signal, its blows, its drive window."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
import numpy.typing as npt

from anviltrace.metrics.facts import RunFacts
from anviltrace.metrics.scale import Scale
from anviltrace.metrics.signal import Signal, ZeroLevel, signal_of, zero_level
from anviltrace.metrics.uncertainty import Part, rectangular
from anviltrace.records import RigKind, Thread
from anviltrace.trace.blows import BASE_OVER_FWHM, Blows, find_blows, joined, measure_blows
from anviltrace.trace.climb import levels_after
from anviltrace.trace.climbmodels import Exponential, SquareRoot, fit_exponential, fit_square_root
from anviltrace.trace.level import LEAST_QUIET
from anviltrace.trace.rate import Rate, blow_rate
from anviltrace.trace.sampling import impulse_error_sd, why_unresolved, worst_peak_loss

Numbers = npt.NDArray[np.float64]
Marks = npt.NDArray[np.bool_]

_GUARD_S = 0.0002
"""Left out before a blow: the filter smears it forwards."""
MUCH_FURTHER = 3.0
BEFORE_ONSET_S = 0.25
"""What strikes earlier than this before the onset, as the recorder saw it, is a knock and no blow: the
recorder takes three departures within that time for the tool, and one for a disturbance."""
SINGLE_KNOCK = 2
"""Below this number of blows something knocked, but no tool struck."""


@dataclass(frozen=True, slots=True)
class Window:
    """The drive window in seconds from the first sample; ``zero`` names what its start is."""

    start_s: float
    end_s: float
    zero: str


@dataclass(frozen=True)
class Analysis:
    """One run, ready for its metrics. ``blows`` is None where ``no_blows`` says why."""

    facts: RunFacts
    scale: Scale
    zero: ZeroLevel | None
    signal: Signal
    blows: Blows | None
    no_blows: str
    window: Window | None
    no_window: str
    knocks: int = 0

    @property
    def tightening_sign(self) -> int:
        """Sense of rotation that tightens: the sign of retained torque."""
        plan = self.facts.context.plan
        if plan is None or plan.thread is Thread.NONE:
            return self.signal.rotation
        return -1 if plan.thread is Thread.LEFT else 1

    @property
    def signs(self) -> tuple[int, ...]:
        """Signs of torque that occur: that of the rotation, and that of the level a held joint keeps."""
        held = self.facts.context.rig.kind is RigKind.HELD
        return tuple({self.signal.rotation, self.tightening_sign if held else self.signal.rotation})

    @property
    def slow(self) -> bool:
        """Whether the converter is too slow for single blows."""
        return bool(why_unresolved(self.signal.rate_hz))

    @property
    def works_against_joint(self) -> bool:
        """Whether the tool turns against the torque that a held joint keeps."""
        held = self.facts.context.rig.kind is RigKind.HELD
        return held and self.tightening_sign != self.signal.rotation

    @cached_property
    def base_s(self) -> Numbers:
        """Base width of each blow as half a sine, seconds; NaN where its width is not known."""
        assert self.blows is not None
        return BASE_OVER_FWHM * self.blows.width_s

    @cached_property
    def impulse_sampling(self) -> Numbers:
        """Standard deviation that sampling gives each blow's impulse, as a share of it."""
        return impulse_error_sd(self.base_s, self.signal.rate_hz, self.facts.boxcars_s)

    @cached_property
    def peak_loss(self) -> Numbers:
        """Largest share of each blow's net peak that filter and sampling may hide, whatever their phase."""
        return worst_peak_loss(self.base_s, self.signal.rate_hz, self.facts.boxcars_s)

    @property
    def samples_per_base(self) -> float:
        """Median number of samples on the base width of a blow; 0 where no width is known."""
        return BASE_OVER_FWHM * self.usual_width_s * self.signal.rate_hz

    @cached_property
    def usual_width_s(self) -> float:
        """Median width at half height in seconds; 0 where no width is known."""
        assert self.blows is not None
        known = self.blows.width_s[np.isfinite(self.blows.width_s)]
        return float(np.median(known)) if len(known) else 0.0

    @cached_property
    def ring_left(self) -> float:
        """Median share of the net peak that still rings when the next blow comes; 0 where it is not known."""
        assert self.blows is not None
        known = self.blows.ring_left[np.isfinite(self.blows.ring_left)]
        return float(np.median(known)) if len(known) else 0.0

    @cached_property
    def ring_in_rests(self) -> Numbers:
        """Amplitude that rings in the second half of the rest after each blow, over the whole of it.

        What its samples scatter more than the noise, in the unit of the signal; 0 where there are too few.
        """
        assert self.blows is not None
        rate_hz, apex_s = self.signal.rate_hz, self.blows.apex_s
        rest_s = np.append(self.blows.start_s[1:], apex_s[-1] + _GUARD_S) - _GUARD_S - apex_s
        rest_s[-1] = np.median(rest_s[:-1]) if len(rest_s) > 1 else 0.0
        last = len(self.signal.values)
        first, end = (
            np.clip(np.nan_to_num((apex_s + share * rest_s) * rate_hz), 0, last).astype(np.int64)
            for share in (0.5, 1.0)
        )
        sums, squares = (
            np.concatenate(([0.0], np.cumsum((self.signal.values - self.signal.values[0]) ** power)))
            for power in (1, 2)
        )
        count = np.maximum(end - first, 1)
        variance = (squares[end] - squares[first]) / count - ((sums[end] - sums[first]) / count) ** 2
        beyond = np.where(count >= LEAST_QUIET, variance - self.signal.noise_sd**2, 0.0)
        return np.asarray(np.sqrt(2.0 * np.maximum(0.0, beyond)))

    @cached_property
    def clipped_flag(self) -> str:
        """A flag where the converter was at its limit; else empty."""
        at_limit = np.count_nonzero((self.signal.values >= self.signal.highest) & ~self.signal.missing)
        at_limit += np.count_nonzero((self.signal.values <= self.signal.lowest) & ~self.signal.missing)
        if not at_limit:
            return ""
        return (
            f"{at_limit} samples lie at the converter's limit, so this is a lower bound: choose a lower gain"
        )

    @property
    def no_zero(self) -> str:
        """Why the zero is not known; empty where it is."""
        if self.zero is not None:
            return ""
        return "there is no zero reading right before or after the run, with the same settings"

    @cached_property
    def driven(self) -> Marks:
        """Which blows begin within the drive window, the last one included."""
        assert self.blows is not None
        assert self.window is not None
        return np.asarray(self.blows.start_s <= self.window.end_s + 0.5 / self.signal.rate_hz)

    @cached_property
    def levels(self) -> tuple[Numbers, Numbers]:
        """Times after time zero of the driven blows, and the levels after them as retained torque."""
        assert self.blows is not None
        assert self.window is not None
        times_s, along = levels_after(self.blows)
        driven = times_s <= self.window.end_s + float(np.nanmax(self.blows.apex_s - self.blows.start_s))
        kept = self.signal.rotation * self.tightening_sign * along[driven]
        return times_s[driven] - self.window.start_s, kept

    @cached_property
    def exponential(self) -> Exponential | None:
        """The exponential through these levels."""
        return fit_exponential(*self.levels, from_s=0.0)

    @cached_property
    def square_root(self) -> SquareRoot | None:
        """The square root through these levels."""
        return fit_square_root(self.levels[1])

    @cached_property
    def rhythm(self) -> Rate:
        """Rate and intervals of the blows of the drive window."""
        assert self.blows is not None
        return blow_rate(self.blows.apex_s[self.driven], self.blows.piece[self.driven])

    def zero_parts(self) -> list[Part]:
        """What the zero leaves open in a torque, N·m: what it moved during the run, and its noise."""
        if self.zero is None:
            return []
        per_nm = abs(self.scale.counts_per_nm(self.signal.rotation))
        moved = rectangular("zero moved during the run", self.zero.half_width_counts / per_nm)
        return [moved, Part("noise of the zero", self.zero.u_counts / per_nm)]

    def signed(self, along: Numbers | float) -> Numbers:
        """Torque with clockwise positive from torque along the rotation."""
        return self.signal.rotation * np.asarray(along, dtype=np.float64)

    def across_gap(self, from_s: Numbers | float, to_s: Numbers | float) -> Marks:
        """For each stretch of time whether samples are missing in it (or right beside it)."""
        upto = np.concatenate(([0], np.cumsum(self.signal.missing)))
        first = np.clip(np.floor(np.asarray(from_s) * self.signal.rate_hz) - 1, 0, len(upto) - 1)
        last = np.clip(np.ceil(np.asarray(to_s) * self.signal.rate_hz) + 2, 0, len(upto) - 1)
        return np.asarray(upto[last.astype(np.int64)] > upto[first.astype(np.int64)])


def analyse(facts: RunFacts) -> Analysis:
    """Prepare a run that holds at least one sample."""
    scale = Scale(facts.lines)
    zero = zero_level(facts.zero_before, facts.zero_after)
    signal = signal_of(facts, scale, zero)
    blows, no_blows, knocks = _blows(facts, signal)
    window, no_window = _window(facts, signal, blows)
    return Analysis(facts, scale, zero, signal, blows, no_blows, window, no_window, knocks)


def _blows(facts: RunFacts, signal: Signal) -> tuple[Blows | None, str, int]:
    """The blows of all pieces, times from the first sample, or the reason why there are none; and how many
    knocks came long before the onset and are left out."""
    if reason := why_unresolved(signal.rate_hz):
        return None, reason, 0
    if reason := _against(signal):
        return None, reason, 0
    onset = facts.context.run.onset_index
    reach = round(BEFORE_ONSET_S * signal.rate_hz)
    earliest = 0 if onset is None else onset - signal.first_index - reach
    parts = [
        _blows_of_piece(signal, first - signal.first_index, len(part), earliest)
        for first, part in facts.pieces
    ]
    blows, knocks = joined(blows for blows, _ in parts), sum(knocks for _, knocks in parts)
    return (blows if len(blows) else None), "" if len(blows) else "no blow was found in the record", knocks


def _blows_of_piece(signal: Signal, first: int, count: int, earliest: int) -> tuple[Blows, int]:
    """Blows that start at sample ``earliest`` or later, and how many strikes came before it."""
    values = signal.values[first : first + count]
    found = find_blows(values, signal.rate_hz, signal.noise_sd)
    knocks = int(np.count_nonzero(found.start_index + first < earliest))
    blows = measure_blows(
        values, signal.rate_hz, found.since(knocks), signal.noise_sd, limit=signal.highest, first_index=first
    )
    return blows, knocks


def _against(signal: Signal) -> str:
    """Whether the tool struck the other way round, in words; empty where it did not.

    Looked for only where the record goes much further against the rotation than along it.
    """
    middle = float(np.median(signal.values))
    if middle - signal.values.min() <= MUCH_FURTHER * (signal.values.max() - middle):
        return ""
    blows = len(find_blows(signal.values, signal.rate_hz, signal.noise_sd, rotation=-1))
    if blows < SINGLE_KNOCK:
        return ""
    return (
        f"{blows} blows went against the rotation of the plan: the plan names the wrong rotation, or the "
        "bridge is wired the other way round and was not calibrated so"
    )


def _window(facts: RunFacts, signal: Signal, blows: Blows | None) -> tuple[Window | None, str]:
    """From the first blow to the planned end or the start of the last blow; without blows from the onset."""
    plan, run = facts.context.plan, facts.context.run
    if blows is not None:
        start_s, last_s, zero = float(blows.start_s[0]), float(blows.start_s[-1]), "first blow"
    elif run.onset_index is not None:
        start_s, last_s, zero = (run.onset_index - signal.first_index) / signal.rate_hz, np.inf, "onset"
    else:
        return None, "the tool was not seen to set in, so there is no time zero"
    planned_s = np.inf if plan is None else start_s + plan.drive_s
    end_s = min(last_s, planned_s, (len(signal.values) - 1) / signal.rate_hz)
    if end_s <= start_s:
        return None, "there is one blow only, so there is no drive window"
    return Window(start_s, end_s, zero), ""
