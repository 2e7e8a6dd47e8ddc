"""What was recorded beside the torque, on the clock of the run's analysis."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from anviltrace.metrics.analysis import Analysis
from anviltrace.metrics.results import Value
from anviltrace.metrics.uncertainty import Part, rectangular
from anviltrace.records import Quantity
from anviltrace.trace.aside import Aside, aside_of
from anviltrace.trace.supply import Estimate, noise_sd, switched_on_s
from anviltrace.trace.vibration import limited_axis, weighted_axis, why_too_slow

AXES = (Quantity.HANDLE_X, Quantity.HANDLE_Y, Quantity.HANDLE_Z)
MOST_MISSING = 0.1
"""Share of a stretch that may be missing in a side channel."""
_OF_SUPPLY = (Quantity.SUPPLY_VOLTAGE, Quantity.SUPPLY_CURRENT)
SWING_SAMPLES = 4
"""Samples from blow to blow that follow what swings with the blows."""
LEAST_SAMPLES = 5
"""So many samples of a side channel must lie in a stretch."""


@dataclass(frozen=True)
class Besides:
    """The side channels of a run; of several of one quantity the latest. ``so_far`` are its other metrics."""

    a: Analysis
    so_far: tuple[Value, ...]

    @cached_property
    def records(self) -> Mapping[Quantity, Aside]:
        """The channels by quantity, times from the first sample of the analysed record."""
        signal, run = self.a.signal, self.a.facts.context.run
        later_s = (signal.first_index - run.first_index) / signal.rate_hz
        return {
            Quantity(side.channel.quantity): aside_of(
                side.pieces,
                rate_hz=side.channel.rate_hz,
                start_s=side.channel.start_s - later_s,
                per_count=side.channel.per_count,
                zero_counts=side.channel.zero_counts,
                limits=(side.channel.saturation_low, side.channel.saturation_high),
                u_relative=side.channel.u_relative,
                u_zero=side.channel.u_zero,
                start_u_s=side.channel.start_u_s,
            )
            for side in self.a.facts.sides
            if side.channel.quantity in set(Quantity) and sum(len(part) for _, part in side.pieces) > 1
        }

    def has(self, quantities: Iterable[Quantity]) -> bool:
        """Whether there is a channel of each of these."""
        return all(quantity in self.records for quantity in quantities)

    @property
    def volts(self) -> Aside:
        """The supply voltage."""
        return self.records[Quantity.SUPPLY_VOLTAGE]

    @property
    def amperes(self) -> Aside:
        """The supply current."""
        return self.records[Quantity.SUPPLY_CURRENT]

    @property
    def zero_s(self) -> float:
        """Start of the drive window."""
        assert self.a.window is not None
        return self.a.window.start_s

    @property
    def end_s(self) -> float:
        """End of the drive window."""
        assert self.a.window is not None
        return self.a.window.end_s

    @cached_property
    def weighted(self) -> Mapping[Quantity, Aside]:
        """The axes of the handle behind the weighting of ISO 5349-1, as far as they are fast enough."""
        return {axis: weighted_axis(record) for axis, record in self._fast_axes().items()}

    @cached_property
    def limited(self) -> Mapping[Quantity, Aside]:
        """The same axes with its band limiting alone."""
        return {axis: limited_axis(record) for axis, record in self._fast_axes().items()}

    def _fast_axes(self) -> dict[Quantity, Aside]:
        there = {axis: self.records[axis] for axis in AXES if axis in self.records}
        return {axis: record for axis, record in there.items() if not why_too_slow(record.rate_hz)}

    @cached_property
    def on_s(self) -> float | None:
        """When the tool was switched on; None where the records begin too late to tell."""
        get = self.records.get
        volts, amperes = get(Quantity.SUPPLY_VOLTAGE), get(Quantity.SUPPLY_CURRENT)
        return switched_on_s(volts, amperes, self.zero_s, self.end_s)

    @cached_property
    def _blow_hz(self) -> float:
        """Usual blows a second; 0 where they are not known."""
        blows = self.a.blows
        return 0.0 if blows is None or len(blows) < 2 else 1.0 / float(np.median(np.diff(blows.start_s)))

    def why_not(self, quantities: Iterable[Quantity], from_s: float, to_s: float) -> str:
        """Why these channels say nothing about a stretch; empty where they do."""
        for quantity in quantities:
            record = self.records[quantity]
            if not record.covers(from_s, to_s):
                return (
                    f"the {quantity} was recorded from {record.start_s - self.zero_s:.2f} to "
                    f"{record.end_s - self.zero_s:.2f} s after time zero, and is needed from "
                    f"{from_s - self.zero_s:.2f} to {to_s - self.zero_s:.2f} s"
                )
            if (samples := len(record.between(from_s, to_s))) < LEAST_SAMPLES:
                return (
                    f"{samples} samples of the {quantity} where it is needed are too few: {LEAST_SAMPLES} at "
                    "least"
                )
            if reason := self.turned(quantity):
                return reason
            missing = record.missing_share(from_s, to_s)
            if missing > MOST_MISSING:
                return f"{missing:.0%} of the {quantity} are missing where it is needed"
        return ""

    def turned(self, quantity: Quantity) -> str:
        """Whether a supply channel is negative while the tool strikes; what the tool draws is positive."""
        if quantity not in _OF_SUPPLY:
            return ""
        record = self.records[quantity]
        driven = record.between(self.zero_s, self.end_s)
        median = float(np.median(driven)) if len(driven) else 0.0
        if median >= -2.0 * record.u_zero - noise_sd(record.values):
            return ""
        return (
            f"the {quantity} is {median:.3g} {quantity.unit} while the tool strikes: its sensor is connected "
            "the other way round"
        )

    def flags(self, quantities: Iterable[Quantity], from_s: float, to_s: float) -> tuple[str, ...]:
        """What is to be said of these channels over a stretch."""
        found = []
        for quantity in quantities:
            record = self.records[quantity]
            clipped, missing = record.clipped_in(from_s, to_s), record.missing_share(from_s, to_s)
            if clipped:
                found.append(
                    f"{clipped} samples of the {quantity} lie at the limit of what recorded it (clipping): "
                    "the truth may lie beyond the interval"
                )
            if quantity in _OF_SUPPLY and record.rate_hz < SWING_SAMPLES * self._blow_hz:
                found.append(
                    f"at {record.rate_hz:.3g} samples/s the {quantity} is not followed from blow to blow: "
                    "right only if each sample is a mean, or samples and blows do not keep step"
                )
            if missing:
                found.append(f"{missing:.1%} of the {quantity} are missing and bridged by straight lines")
        return tuple(found)


def parts_of(estimate: Estimate, factor: float = 1.0) -> list[Part]:
    """Noise, clock and ends of an estimate, times ``factor``."""
    return [
        Part("noise", abs(factor) * estimate.u_samples, estimate.dof),
        Part("clock of the side channel", abs(factor) * estimate.moved_by_clock),
        rectangular("ends to a sample", factor * estimate.within_ends),
        Part("missing samples", abs(factor) * estimate.u_missing),
    ]


def scale_part(record: Aside, value: float) -> Part:
    """What the scale of a channel leaves open in a value proportional to it."""
    return Part("scale of the side channel", abs(value) * record.u_relative, common=True)


def zero_part(record: Aside, factor: float = 1.0) -> Part:
    """What the zero of a channel leaves open in a value that changes by ``factor`` with it."""
    return Part("zero of the side channel", abs(factor) * record.u_zero, common=True)
