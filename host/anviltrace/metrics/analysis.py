"""What the metrics of one run are computed from: its signal, its blows, its drive window."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import numpy.typing as npt

from anviltrace.metrics.facts import RunFacts
from anviltrace.metrics.filtering import BlowFilter, blow_filter
from anviltrace.metrics.resonance import Resonance, not_on_record, rings_otherwise
from anviltrace.metrics.scale import Scale
from anviltrace.metrics.signal import Signal, ZeroLevel, signal_of, zero_level
from anviltrace.metrics.uncertainty import Part, rectangular
from anviltrace.records import RigKind, Thread
from anviltrace.trace.blows import BASE_OVER_FWHM, Blows, find_blows, joined, measure_blows
from anviltrace.trace.climb import levels_after
from anviltrace.trace.climbmodels import Exponential, SquareRoot, fit_exponential, fit_square_root
from anviltrace.trace.clipping import cut_off
from anviltrace.trace.level import LEAST_QUIET, usual
from anviltrace.trace.rate import Rate, blow_rate
from anviltrace.trace.ring import Ring
from anviltrace.trace.ringdown import ring_of
from anviltrace.trace.sampling import (
    LEAST_SAMPLES,
    corrected_width_s,
    impulse_error_sd,
    surely_no_wider,
    why_unresolved,
    worst_peak_loss,
)

Numbers = npt.NDArray[np.float64]
Marks = npt.NDArray[np.bool_]

_GUARD_S = 0.0002
"""Left out before a blow: the filter smears it forwards."""
MUCH_FURTHER = 3.0
_ENOUGH = 20_000
"""Samples that tell the middle of a record."""
BEFORE_ONSET_S = 0.25
"""What strikes earlier than this before the onset, as the recorder saw it, is a knock and no blow: the
recorder takes three departures within that time for the tool, and one for a disturbance."""
MOST_HIDDEN = 0.75
"""A blow that was found has not lost more of its height than this to filter and sampling."""
REST_BEFORE_S, SOON_S, CLEARLY_SD = 0.0035, 0.006, 10.0
"""What rises so clearly and so soon after the beginning may be a blow that lacks the rest before it."""
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
    """One run, ready for its metrics. ``blows`` is None where ``no_blows`` says why.

    ``unfiltered`` are the same blows, and ``highest`` is the largest value along the rotation behind the
    ``filter`` of peaks and widths. ``cut`` says for each piece whether it ends in the middle of a blow, which
    is left out. ``no_window`` says why the drive window has no length, or there is none.
    """

    facts: RunFacts
    scale: Scale
    zero: ZeroLevel | None
    signal: Signal
    blows: Blows | None
    no_blows: str
    window: Window | None
    no_window: str
    knocks: int
    cut: tuple[bool, ...]
    unfiltered: Blows | None
    highest: float
    filter: BlowFilter

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
    def uncalibrated(self) -> str:
        """Why torque is withheld for a sign that the run needs; empty where every sign has its line."""
        return "; ".join(reason for sign in self.signs if (reason := self.scale.reason(sign)))

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
        """Base width of each blow as half a sine, unfiltered, seconds; NaN where its width is not known."""
        assert self.unfiltered is not None
        return BASE_OVER_FWHM * self.unfiltered.width_s

    @cached_property
    def taken_base_s(self) -> Numbers:
        """The same; a blow whose width is not known counts as one of the usual width, and as one sample wide
        where none is known."""
        usual_s = BASE_OVER_FWHM * self.usual_width_s or 1.0 / self.signal.rate_hz
        return np.where(np.isfinite(self.base_s), self.base_s, usual_s)

    @cached_property
    def impulse_sampling(self) -> Numbers:
        """Standard deviation that sampling gives each blow's impulse, as a share of it.

        Half sines of 1½ or 2½ samples would have none at all; but widths of so few are not known well enough
        to count on that, unless the converter has a filter.
        """
        base_s, boxcars_s = self.taken_base_s, self.facts.boxcars_s
        by_width = impulse_error_sd(base_s, self.signal.rate_hz, boxcars_s)
        samples = np.maximum(base_s * self.signal.rate_hz, 1.0)
        most = math.sqrt(2.0) / (4.0 * np.square(samples) - 1.0)
        unsure = (samples < LEAST_SAMPLES) & (not boxcars_s)
        return np.where(unsure, np.maximum(by_width, most), by_width)

    @cached_property
    def peak_loss(self) -> Numbers:
        """Largest share of each blow's height that filter and sampling may hide, whatever their phase."""
        rate_hz = self.signal.rate_hz
        lost = worst_peak_loss(surely_no_wider(self.base_s, rate_hz), rate_hz, self.facts.boxcars_s)
        return np.minimum(lost, MOST_HIDDEN)

    @cached_property
    def resonance(self) -> Resonance | None:
        """The rig's ring-down beside the blows; None where none is on record with the run's fitting."""
        if self.facts.ring_down is None:
            return None
        base_s = corrected_width_s(self.base_s, self.facts.boxcars_s)
        return Resonance(self.facts.ring_down, base_s, 1.0 / self.signal.rate_hz)

    @property
    def resonance_flag(self) -> str:
        """What to say of the rig's resonance beside peaks and widths; maybe nothing."""
        if self.resonance is None:
            return not_on_record(self.facts.tapped_fittings)
        return self.resonance.flag

    @cached_property
    def peak_above(self) -> Numbers:
        """By how much each blow's height may truly exceed what is shown, as a share of that: what converter,
        sampling and a filter hide, and where a ring-down is on record what the resonance takes off."""
        whole = 1.0 / ((1.0 - self.peak_loss) * self._kept[0])
        if self.resonance is None:
            return np.asarray(whole - 1.0)
        return np.asarray(whole * (1.0 + self.resonance.peak().above) - 1.0 + self.ring_left)

    @cached_property
    def peak_below(self) -> Numbers:
        """By how much it may fall short of that: what a filter adds, and where a ring-down is on record what
        the resonance adds and what still rings of the blow before."""
        added = 1.0 - 1.0 / self._kept[1]
        if self.resonance is None:
            return np.asarray(added)
        return np.asarray(added + self.resonance.peak().below + self.ring_left)

    @cached_property
    def _kept(self) -> tuple[Numbers, Numbers]:
        """Least and largest share of its height that each blow keeps behind a filter."""
        return self.filter.kept(self.taken_base_s)

    @property
    def peak_noise_sd(self) -> float:
        """Standard deviation of the noise of one sample that a peak is read from."""
        return self.signal.noise_sd * self.filter.noise_kept

    @cached_property
    def rings_otherwise(self) -> str:
        """A flag where something else rings than the ring-down on record says; else empty."""
        if self.facts.ring_down is None or self.unfiltered is None:
            return ""
        apex_s, signal = self.unfiltered.apex_s, self.signal
        return rings_otherwise(signal.values, signal.rate_hz, apex_s, signal.noise_sd, self.facts.ring_down)

    @property
    def filter_edge_flag(self) -> str:
        """A flag where the filter reaches beyond an end of the record or a gap; else empty."""
        if self.unfiltered is None:
            return ""
        signal = self.signal
        pieces_s = [
            (
                (first - signal.first_index) / signal.rate_hz,
                (first - signal.first_index + len(part)) / signal.rate_hz,
            )
            for first, part in self.facts.pieces
        ]
        return self.filter.edge_flag(self.unfiltered, pieces_s)

    @property
    def samples_per_base(self) -> float:
        """Median number of samples on the base width of a blow; 0 where no width is known."""
        return BASE_OVER_FWHM * self.usual_width_s * self.signal.rate_hz

    @cached_property
    def usual_width_s(self) -> float:
        """Median width at half height in seconds; 0 where no width is known."""
        assert self.unfiltered is not None
        return usual(self.unfiltered.width_s)

    @cached_property
    def ring_left(self) -> float:
        """Median share of the net peak that still rings when the next blow comes; 0 where it is not known."""
        assert self.blows is not None
        return usual(self.blows.ring_left)

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
        rests = [self.signal.values[begin:stop] for begin, stop in zip(first, end, strict=True)]
        variance = np.array([rest.var() if rest.size >= LEAST_QUIET else 0.0 for rest in rests])
        beyond = variance - self.signal.noise_sd**2
        return np.asarray(np.sqrt(2.0 * np.maximum(0.0, beyond)))

    @cached_property
    def capped(self) -> Marks:
        """Which blows have their tops cut off."""
        assert self.unfiltered is not None
        signal = self.signal
        apex = np.rint(self.unfiltered.apex_s * signal.rate_hz).astype(np.int64)
        per_nm = abs(self.scale.counts_per_nm(signal.rotation)) if signal.calibrated else 1.0
        return cut_off(signal.values, apex, signal.highest, 1.0 / per_nm, self.samples_per_base)

    def why_capped(self, blows: Marks | npt.NDArray[np.int64]) -> str:
        """Why what these blows give is no more than a lower bound; empty where none is cut off."""
        count = int(np.count_nonzero(self.capped[blows]))
        if not count:
            return ""
        by = "the converter's limit" if self.at_limit[1] else "one value below the converter's limit"
        return f"the tops of {count} blows are cut off at {by}: choose a lower gain"

    @cached_property
    def at_limit(self) -> tuple[int, int]:
        """How many samples lie at the converter's limits, at the lower one and at the upper one along the
        rotation."""
        values, there = self.signal.values, ~self.signal.missing
        low, high = values <= self.signal.lowest, values >= self.signal.highest
        return int(np.count_nonzero(low & there)), int(np.count_nonzero(high & there))

    @cached_property
    def why_no_levels(self) -> str:
        """Why what is counted from levels is not known: they lie below the converter's range; else empty."""
        assert self.window is not None
        first, end = (round(at_s * self.signal.rate_hz) for at_s in (self.window.start_s, self.window.end_s))
        low = int(np.count_nonzero(self.signal.values[first : end + 1] <= self.signal.lowest))
        if not low:
            return ""
        return f"{low} samples lie at the converter's limit against the rotation: choose a lower gain"

    @property
    def clipped_flag(self) -> str:
        """A flag where the converter, or what is before it, was at its limit; else empty."""
        if sum(self.at_limit):
            return f"{sum(self.at_limit)} samples lie at the converter's limit: choose a lower gain"
        return "" if self.blows is None else self.why_capped(self.driven)

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
        return blow_rate(self.blows.middle_s[self.driven], self.blows.piece[self.driven])

    def zero_parts(self) -> list[Part]:
        """What the zero leaves open in a torque, N·m: what it moved during the run, and its noise."""
        if self.zero is None:
            return []
        per_nm = abs(self.scale.counts_per_nm(self.signal.rotation))
        moved = rectangular("zero moved during the run", self.zero.half_width_counts / per_nm)
        noise = Part("noise of the zero", self.zero.u_counts / per_nm)
        return [moved, noise, self.scale.step_part(self.signal.rotation)]

    def signed(self, along: Numbers | float) -> Numbers:
        """Torque with clockwise positive from torque along the rotation."""
        return self.signal.rotation * np.asarray(along, dtype=np.float64)

    def across_gap(self, from_s: Numbers | float, to_s: Numbers | float) -> Marks:
        """For each stretch of time whether samples are missing in it (or right beside it)."""
        first = np.floor(np.asarray(from_s) * self.signal.rate_hz) - 1
        last = np.ceil(np.asarray(to_s) * self.signal.rate_hz) + 2
        return np.asarray(np.searchsorted(self._gaps, last) > np.searchsorted(self._gaps, first))

    @cached_property
    def _gaps(self) -> npt.NDArray[np.int64]:
        """The samples that are missing."""
        return np.flatnonzero(self.signal.missing)


def analyse(facts: RunFacts) -> Analysis:
    """Prepare a run that holds at least one sample."""
    scale = Scale(facts.lines, facts.steps)
    zero = zero_level(facts.zero_before, facts.zero_after)
    signal = signal_of(facts, scale, zero)
    chosen = blow_filter(facts.filter, signal.rate_hz)
    seen = _blows(facts, signal, chosen)
    window, no_window = _window(facts, signal, seen.blows)
    return Analysis(
        facts=facts,
        scale=scale,
        zero=zero,
        signal=signal,
        blows=seen.blows,
        no_blows=seen.reason,
        window=window,
        no_window=no_window,
        knocks=seen.knocks,
        cut=seen.cut,
        unfiltered=seen.unfiltered,
        highest=seen.highest,
        filter=chosen,
    )


@dataclass(frozen=True, slots=True)
class _Seen:
    """The blows of a record, times from its first sample, or the reason why there are none.

    ``knocks`` counts those that came long before the onset and are left out, ``cut`` says for each piece
    whether it ends in the middle of one, which is left out as well.
    """

    blows: Blows | None
    reason: str
    unfiltered: Blows | None = None
    knocks: int = 0
    cut: tuple[bool, ...] = ()
    highest: float = float("-inf")


def _blows(facts: RunFacts, signal: Signal, chosen: BlowFilter) -> _Seen:
    """The blows of all pieces, behind the filter and without it."""
    if reason := why_unresolved(signal.rate_hz):
        return _Seen(None, reason)
    if reason := _against(signal):
        return _Seen(None, reason)
    onset = facts.context.run.onset_index
    reach = round(BEFORE_ONSET_S * signal.rate_hz)
    earliest = 0 if onset is None else onset - signal.first_index - reach
    ring = _known_ring(facts, signal)
    parts = [
        _blows_of_piece(signal, first - signal.first_index, len(part), earliest, ring, chosen)
        for first, part in facts.pieces
    ]
    unfiltered, blows = joined(part.unfiltered for part in parts), joined(part.blows for part in parts)
    knocks, highest = sum(part.knocks for part in parts), max(part.highest for part in parts)
    cut = tuple(part.cut for part in parts)
    if not len(blows):
        return _Seen(None, _none_found(signal, any(cut)), None, knocks, cut, highest)
    return _Seen(blows, "", unfiltered, knocks, cut, highest)


def _none_found(signal: Signal, cut: bool) -> str:
    """Why there is no blow."""
    if cut:
        return "no whole blow was found: the record, or a piece of it, ends in the middle of one"
    top = int(signal.values.argmax())
    after_s, height = top / signal.rate_hz, signal.values[top] - np.median(signal.values)
    if after_s < SOON_S and height > CLEARLY_SD * signal.noise_sd:
        return (
            f"no blow was found: the highest torque comes {1e3 * after_s:.2g} ms after the record begins, "
            f"and a blow is told by {1e3 * REST_BEFORE_S:g} ms of rest before it"
        )
    return _blows_against(signal) or "no blow was found in the record"


def _known_ring(facts: RunFacts, signal: Signal) -> Ring | None:
    """How the rig rings by its ring-down, as the samples of the record show it."""
    made = facts.ring_down
    return None if made is None else ring_of(made.natural_hz, made.damping_ratio, signal.rate_hz)


@dataclass(frozen=True, slots=True)
class _Piece:
    """The blows of one piece."""

    blows: Blows
    unfiltered: Blows
    knocks: int
    cut: bool
    highest: float


def _blows_of_piece(
    signal: Signal, first: int, count: int, earliest: int, ring: Ring | None, chosen: BlowFilter
) -> _Piece:
    """Blows that start at sample ``earliest`` or later, how many strikes came before it, and whether the
    piece ends in the middle of one, which is left out."""
    values = signal.values[first : first + count]
    found = find_blows(values, signal.rate_hz, signal.noise_sd, ring=ring)
    knocks = int(np.count_nonzero(found.start_index + first < earliest))
    later = found.part(slice(knocks, len(found) - found.cut))
    unfiltered = measure_blows(
        values,
        signal.rate_hz,
        later,
        signal.noise_sd,
        first_index=first,
    )
    behind = chosen.apply(values)
    blows = chosen.outlines(behind, later, unfiltered, signal.noise_sd)
    return _Piece(blows, unfiltered, knocks, found.cut, float(behind.max()))


def _against(signal: Signal) -> str:
    """Whether the tool struck the other way round, in words; empty where it did not.

    Looked for only where the record goes much further against the rotation than along it.
    """
    middle = float(np.median(signal.values[:: 1 + len(signal.values) // _ENOUGH]))
    much = middle - signal.values.min() > MUCH_FURTHER * (signal.values.max() - middle)
    return _blows_against(signal) if much else ""


def _blows_against(signal: Signal) -> str:
    """The same in words, or empty where no tool struck that way."""
    blows = len(find_blows(signal.values, signal.rate_hz, signal.noise_sd, rotation=-1))
    if blows < SINGLE_KNOCK:
        return ""
    return (
        f"{blows} blows went against the rotation of the plan: the plan names the wrong rotation, or the "
        "bridge is wired the other way round and was not calibrated so"
    )


def _window(facts: RunFacts, signal: Signal, blows: Blows | None) -> tuple[Window | None, str]:
    """From the first blow to the planned end or the start of the last blow; without blows from the onset.
    One of no length says what is lacking."""
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
        reason = "the onset is the last sample" if blows is None else "there is one blow only"
        return Window(start_s, start_s, zero), f"{reason}, so there is no drive window"
    return Window(start_s, end_s, zero), ""
