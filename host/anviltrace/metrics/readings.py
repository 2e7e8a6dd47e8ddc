"""What can be said of a run without a calibration: readings less the zero, in counts and mV/V."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from anviltrace.metrics.analysis import Analysis
from anviltrace.metrics.levels import LEAST_SAMPLES
from anviltrace.metrics.results import Value
from anviltrace.metrics.values import reading, withheld

Counts = npt.NDArray[np.int32]

REST_S = 0.2


def readings(a: Analysis) -> list[Value]:
    """Greatest reading and reading at rest, in counts and mV/V, with the sign of the counts."""
    if a.zero is None:
        names = ("maximum_counts", "maximum_mv_per_v", "rest_counts", "rest_mv_per_v")
        return [withheld(name, a.no_zero) for name in names]
    pieces = [counts for _, counts in a.facts.pieces if len(counts)]
    ends = [float(end) - a.zero.counts for counts in pieces for end in (counts.min(), counts.max())]
    rest = _last(pieces, max(LEAST_SAMPLES, round(REST_S * a.signal.rate_hz))).mean() - a.zero.counts
    greatest = max(ends, key=abs)
    return [*_both(a, "maximum", greatest, (a.clipped_flag,)), *_both(a, "rest", float(rest))]


def _last(pieces: list[Counts], samples: int) -> Counts:
    """So many of the last samples, across gaps, or all there are."""
    last: list[Counts] = []
    for counts in reversed(pieces):
        last.append(counts[-samples:])
        samples -= len(last[-1])
        if samples <= 0:
            break
    return np.concatenate(last[::-1])


def _both(a: Analysis, name: str, counts: float, flags: tuple[str, ...] = ()) -> list[Value]:
    per_count = a.facts.context.settings.mv_per_v_per_count
    ratio = f"{name}_mv_per_v"
    return [
        reading(f"{name}_counts", counts, flags),
        withheld(ratio, "the excitation of the bridge was not measured")
        if per_count is None
        else reading(ratio, counts * per_count, flags),
    ]
