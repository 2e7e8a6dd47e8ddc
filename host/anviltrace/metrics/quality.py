"""What a run is worth, in a line: a grade in words and its reasons.

The rule: one flag that makes a run unusable decides; else one that asks for care, or a metric that should
lead and is withheld; else the run is good. What concerns peaks, widths and rises alone is told behind the
grade and does not change it. The weights of the flags are in ``flagtable``.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from anviltrace.metrics.catalogue import CATALOGUE, Group, Need
from anviltrace.metrics.flagtable import FLAGS, Weight
from anviltrace.metrics.levels import AGAINST_JOINT
from anviltrace.metrics.results import LOWER_BOUNDS, WITHHELD, Grade, Quality, Value

_PEAKS = ("peak_mean", "net_peak_mean", "peak_max")
_CALIBRATION = re.compile(r"^calibration \w+")
_ABOVE_WEIGHTS = "reaches above"


@dataclass(frozen=True, slots=True)
class Raised:
    """A flag that was raised: its name in the table of flags, and its words."""

    name: str
    text: str

    @property
    def weight(self) -> Weight:
        """What it makes of the run."""
        return FLAGS[self.name].weight

    @property
    def short(self) -> str:
        """Its words without what differs from run to run, or what to do about it."""
        return _CALIBRATION.sub("the calibration", in_short(self.text))


def in_short(text: str) -> str:
    """What a flag says before its first colon."""
    return text.split(": ")[0]


def quality(flags: Sequence[Raised], values: Iterable[Value]) -> Quality:
    """The quality of a run from its flags, from what leads and is withheld, and from what its peaks carry."""
    every = list(values)
    unusable, care = (
        [flag.short for flag in flags if flag.weight is weight] for weight in (Weight.UNUSABLE, Weight.CARE)
    )
    peaks = _of_peaks(flags, every)
    if unusable:
        return Quality(Grade.UNUSABLE, _distinct(unusable), peaks)
    reasons = _distinct([*care, *_lacking(flags, every)])
    return Quality(Grade.CARE if reasons else Grade.GOOD, reasons, peaks)


def _lacking(flags: Sequence[Raised], values: Iterable[Value]) -> list[str]:
    """What should lead and is withheld, with the reason, unless a flag gives that; peaks are told apart.

    What a slow converter never shows, what lies beyond the run's end, and what means nothing when a held
    joint is loosened is no fault of the run.
    """
    told, slow = {flag.text for flag in flags}, any(flag.name == "slow" for flag in flags)
    by_reason: dict[str, list[str]] = {}
    for value in values:
        entry = CATALOGUE[value.name]
        leads = entry.group is Group.LEADING and not entry.marked and Need.SHAPE not in entry.needs
        excused = (slow and Need.BLOWS in entry.needs) or value.withheld == AGAINST_JOINT
        if leads and value.value is None and value.beyond is None and not excused:
            by_reason.setdefault(value.withheld, []).append(entry.label)
    return [
        f"{' and '.join(labels)} withheld, {in_short(reason)}"
        for reason, labels in by_reason.items()
        if not any(reason in text for text in told)
    ]


def _of_peaks(flags: Sequence[Raised], values: Iterable[Value]) -> tuple[str, ...]:
    """What concerns peaks alone: flags of that weight, and words at the first peak there is."""
    raised = [flag.short for flag in flags if flag.weight is Weight.PEAKS]
    known = {flag.text for flag in flags}
    peak = next((value for value in values if value.name in _PEAKS), None)
    if peak is None:
        return _distinct(raised)
    if peak.value is None:
        what = WITHHELD if peak.beyond is None else LOWER_BOUNDS
        reasons = {flag.text for flag in flags if flag.weight in (Weight.CARE, Weight.UNUSABLE)}
        return (what,) if peak.withheld in reasons else (f"{what}, {in_short(peak.withheld)}",)
    own = [text for text in peak.flags if text not in known and not text.startswith(_ABOVE_WEIGHTS)]
    return _distinct([*raised, *map(in_short, own)])


def _distinct(texts: Iterable[str]) -> tuple[str, ...]:
    return tuple(dict.fromkeys(texts))
