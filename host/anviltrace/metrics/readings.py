"""What can be said of a run without a calibration: readings less the zero, in counts and mV/V."""

from __future__ import annotations

import numpy as np

from anviltrace.metrics.analysis import Analysis
from anviltrace.metrics.levels import LEAST_SAMPLES
from anviltrace.metrics.results import Value
from anviltrace.metrics.values import reading, withheld

REST_S = 0.2


def readings(a: Analysis) -> list[Value]:
    """Greatest reading and reading at rest, in counts and mV/V, with the sign of the counts."""
    if a.zero is None:
        names = ("maximum_counts", "maximum_mv_per_v", "rest_counts", "rest_mv_per_v")
        return [withheld(name, a.no_zero) for name in names]
    every = np.concatenate([counts for _, counts in a.facts.pieces]) - a.zero.counts
    rest = every[-max(LEAST_SAMPLES, round(REST_S * a.signal.rate_hz)) :]
    greatest = float(every[np.abs(every).argmax()])
    return [*_both(a, "maximum", greatest, (a.clipped_flag,)), *_both(a, "rest", float(rest.mean()))]


def _both(a: Analysis, name: str, counts: float, flags: tuple[str, ...] = ()) -> list[Value]:
    per_count = a.facts.context.settings.mv_per_v_per_count
    ratio = f"{name}_mv_per_v"
    return [
        reading(f"{name}_counts", counts, flags),
        withheld(ratio, "the excitation of the bridge was not measured")
        if per_count is None
        else reading(ratio, counts * per_count, flags),
    ]
