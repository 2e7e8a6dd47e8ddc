"""When it began: time zero, from which marks count, and the onset that the recorder saw."""

from __future__ import annotations

import numpy as np

from anviltrace.metrics.analysis import Analysis
from anviltrace.metrics.crossings import Moved, moved
from anviltrace.metrics.results import Value
from anviltrace.metrics.rhythm import CLOCK_PPM
from anviltrace.metrics.uncertainty import Part, rectangular
from anviltrace.metrics.values import stated, withheld
from anviltrace.records import RunKind
from anviltrace.trace.blows import BASE_OVER_FWHM
from anviltrace.trace.finding import START_SHARE

LATE_SWINGS = 0.19
"""A rig shows the start of a blow late by so many of its periods at most (half sines and parabolas, 1 to 20
swings to a blow, damping 0.005 to 0.3, each at 5 % of its height)."""


def time_zero(a: Analysis) -> Value:
    """Time zero in seconds from the first sample."""
    if a.window is None:
        return withheld("time_zero", a.no_window)
    start_s = a.window.start_s
    parts = [
        rectangular("half a sample", 0.5 / a.signal.rate_hz),
        rectangular("clock of the board", 1e-6 * CLOCK_PPM * start_s),
    ]
    if a.blows is None:
        return stated("time_zero", start_s, parts, flags=("it is the onset",))
    late_s = 0.0 if a.facts.ring_down is None else LATE_SWINGS / a.facts.ring_down.natural_hz
    early_s = 0.5 * sum(a.facts.boxcars_s)
    noise = _of_start(a)
    parts.append(Part("noise", noise.sd_s))
    return stated("time_zero", start_s, parts, under_read=early_s, over_read=late_s + noise.towards_s)


def _of_start(a: Analysis) -> Moved:
    """What noise does to the start of the first blow, at 5 % of its height."""
    assert a.blows is not None
    height, width_s = (float(np.nan_to_num(one[0])) for one in (a.blows.net_peak, a.blows.width_s))
    return moved(a, START_SHARE, height, BASE_OVER_FWHM * (width_s or a.usual_width_s))


def onset(a: Analysis) -> Value:
    """The onset in seconds from the first sample."""
    run = a.facts.context.run
    index = run.onset_index
    if index is None:
        unknown = a.no_zero if run.kind is RunKind.IMPORT else ""  # an import tells it from its zero
        return withheld("onset", unknown or "the recorder did not see the tool set in")
    sample_s = 1.0 / a.signal.rate_hz
    onset_s = (index - a.signal.first_index) * sample_s
    return stated("onset", onset_s, [rectangular("a sample", sample_s)])
