"""What a run is worth, in a line: a grade in words and its reasons.

The rule: one flag that makes a run unusable decides; else one that asks for care; else the run is good. What
concerns peaks, widths and rises alone is told behind the grade and does not change it. The weights of the
flags are in ``flagtable``.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from anviltrace.metrics.flagtable import FLAGS, Weight
from anviltrace.metrics.results import Grade, Quality, Value

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
    """The quality of a run from its flags, and from what its peaks carry or why they are withheld."""
    for grade, weight in ((Grade.UNUSABLE, Weight.UNUSABLE), (Grade.CARE, Weight.CARE)):
        reasons = _distinct(flag.short for flag in flags if flag.weight is weight)
        if reasons:
            return Quality(grade, reasons, _of_peaks(flags, values))
    return Quality(Grade.GOOD, (), _of_peaks(flags, values))


def _of_peaks(flags: Sequence[Raised], values: Iterable[Value]) -> tuple[str, ...]:
    """What concerns peaks alone: flags of that weight, and words at the first peak there is."""
    raised = [flag.short for flag in flags if flag.weight is Weight.PEAKS]
    known = {flag.text for flag in flags}
    peak = next((value for value in values if value.name in _PEAKS), None)
    if peak is None:
        return _distinct(raised)
    own = list(peak.flags) if peak.value is not None else [_why_no_peak(peak)]
    own = [text for text in own if text not in known and not text.startswith(_ABOVE_WEIGHTS)]
    return _distinct([*raised, *map(in_short, own)])


def _why_no_peak(peak: Value) -> str:
    return f"{'withheld' if peak.beyond is None else 'lower bounds'}, {peak.withheld}"


def _distinct(texts: Iterable[str]) -> tuple[str, ...]:
    return tuple(dict.fromkeys(texts))
