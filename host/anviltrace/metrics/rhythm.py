"""Metrics of how often a tool strikes and how evenly."""

from __future__ import annotations

import math

import numpy as np

from anviltrace.metrics.analysis import Analysis
from anviltrace.metrics.crossings import slope, usual_height
from anviltrace.metrics.levels import MEDIAN_OVER_MEAN
from anviltrace.metrics.results import Value
from anviltrace.metrics.strikes import singles
from anviltrace.metrics.uncertainty import Part, rectangular
from anviltrace.metrics.values import stated, withheld
from anviltrace.records import RigKind

CLOCK_PPM = 100.0
"""How far a board's clock may be off (common practice for a crystal: 30 to 50 ppm)."""
LEAST_BLOWS = 3
CHORDS = 0.14
"""Straight lines between samples move the middle by this many samples over the samples on the base width
(standard deviation; half sines at all phases, 1.3 to 20 samples)."""
JUMP = 0.25
"""Share of the usual width by which blows do not differ from the one before, but for swings of the rig."""
HELD_KNOWN_TO, HELD_SPREADS = 0.004, 0.006
"""Share of the base width by which the middle moves from blow to blow as the level of a held rig climbs; the
second counts for a spread, which the few that move most make larger."""
HELD_MOVES, HELD_MOVES_SWINGS = 0.035, 0.06
"""From the first blow to the last it moves by this share of the base width, and by no more than this share of
a period of the rig (standard deviations, all of them: transducers of 0.8 to 25 periods to a blow)."""


def rate(a: Analysis) -> Value:
    """Blows a second, from the median of the normal intervals."""
    if reason := _too_few(a):
        return withheld("blow_rate", reason)
    per_s = a.rhythm.per_s
    parts = [Part("times of the blows", per_s**2 * _timing_of_median_s(a)), _clock(per_s)]
    return stated("blow_rate", per_s, parts, flags=(_nominal(a),))


def mean_rate(a: Analysis) -> Value:
    """Blows a second from the first to the last, missed ones in the time."""
    found = a.rhythm
    if not math.isfinite(found.mean_per_s):
        return withheld("blow_rate_mean", "one blow has no rate: 2 are needed")
    ends_s = math.hypot(math.sqrt(2.0) * _time_of_a_blow_s(a), _moved_s(a))
    ends = found.mean_per_s**2 * ends_s / found.intervals
    parts = [Part("first and last blow", ends), _clock(found.mean_per_s)]
    return stated("blow_rate_mean", found.mean_per_s, parts, flags=(_nominal(a),))


def interval_median(a: Analysis) -> Value:
    """Median of the normal intervals, milliseconds."""
    if reason := _too_few(a):
        return withheld("interval_median", reason)
    interval_ms = 1e3 / a.rhythm.per_s
    parts = [Part("times of the blows", 1e3 * _timing_of_median_s(a)), _clock(interval_ms)]
    return stated("interval_median", interval_ms, parts, flags=(_nominal(a),))


def interval_sd(a: Analysis) -> Value:
    """Standard deviation of the normal intervals, milliseconds."""
    if reason := _too_few(a):
        return withheld("interval_sd", reason)
    sd_ms = 1e3 * a.rhythm.sd_s
    return stated("interval_sd", sd_ms, [*_timing_of_sd(a, 1e3), _clock(sd_ms)])


def interval_cv(a: Analysis) -> Value:
    """Standard deviation of the normal intervals over their mean, percent."""
    if reason := _too_few(a):
        return withheld("interval_cv", reason)
    cv = 100.0 * a.rhythm.cv
    return stated("interval_cv", cv, _timing_of_sd(a, cv / a.rhythm.sd_s if a.rhythm.sd_s else 0.0))


def missed(a: Analysis) -> Value:
    """Blows that seem missed."""
    return stated("missed_blows", float(a.rhythm.missed), [])


def doubled(a: Analysis) -> Value:
    """Second blows of doubles."""
    return stated("double_blows", float(a.rhythm.doubles), [])


def _too_few(a: Analysis) -> str:
    if math.isfinite(a.rhythm.per_s):
        return ""
    return f"a rate needs {LEAST_BLOWS} blows, and there are {int(singles(a).sum())}"


def _timing_of_median_s(a: Analysis) -> float:
    """Standard uncertainty of the median interval, seconds.

    Times that are known better than the n intervals scatter move their median as they move those few next to
    it: with s the uncertainty of one interval its variance is E|e|/(n·f), e normal and f the density of the
    intervals at the median, that is 2·s·sd/n; no more than that of the one or two in the middle, and no less
    than that of a median of equal intervals.
    """
    one_s, count = math.sqrt(2.0) * _time_of_a_blow_s(a), max(1, a.rhythm.normal)
    middle_s = one_s if count % 2 else one_s / math.sqrt(2.0)
    few_s = math.sqrt(2.0 * one_s * a.rhythm.sd_s / count)
    return min(middle_s, max(few_s, MEDIAN_OVER_MEAN * one_s / math.sqrt(count)))


def _time_of_a_blow_s(a: Analysis, held_moves: float = HELD_KNOWN_TO) -> float:
    """Standard uncertainty of the middle of one blow between its half heights, seconds.

    Noise and ring move each of the two crossings by their share of the height over the slope there, 0.87·π
    heights to a base width. Half a sample where the width of the blows is not known.
    """
    samples = a.samples_per_base
    if not samples > 0.0:
        return 0.5 / math.sqrt(3.0) / a.signal.rate_hz
    per_share = samples / slope(0.5) / math.sqrt(2.0)
    by_noise, by_ring = (share * per_share for share in (_noise_share(a), a.ring_left))
    held = held_moves * samples if a.facts.context.rig.kind is RigKind.HELD else 0.0
    return math.hypot(CHORDS / samples, by_noise, by_ring, held) / a.signal.rate_hz


def _jumps_s(a: Analysis) -> float:
    """By how much the middle jumps from blow to blow where the half height lies on another swing of the rig.

    Root mean square. The width jumps with it, and by twice as much: one side of the blow stays where it is.
    """
    assert a.blows is not None
    widths_s = a.blows.width_s[singles(a)]
    widths_s = widths_s[np.isfinite(widths_s)]
    if len(widths_s) < LEAST_BLOWS:
        return 0.0
    steps_s = np.abs(np.diff(widths_s))
    jumps_s = np.where(steps_s > JUMP * np.median(widths_s), steps_s, 0.0)
    return 0.5 * math.sqrt(float(np.mean(np.square(jumps_s))))


def _moved_s(a: Analysis) -> float:
    """By how much the middle of the last blow lies off that of the first as the level changes, seconds."""
    if a.facts.context.rig.kind is not RigKind.HELD:
        return 0.0
    most_s = HELD_MOVES * a.samples_per_base / a.signal.rate_hz
    made = a.facts.ring_down
    return most_s if made is None else min(most_s, HELD_MOVES_SWINGS / made.natural_hz)


def _noise_share(a: Analysis) -> float:
    """Noise of one sample over the usual height of a blow."""
    assert a.blows is not None
    height = usual_height(a)
    return a.signal.noise_sd / height if height > 0.0 else 0.0


def _timing_of_sd(a: Analysis, factor: float) -> list[Part]:
    """What the times of the blows leave open in the spread, times ``factor``: by chance, and what they may
    have added to it."""
    timing_s = math.hypot(math.sqrt(2.0) * _time_of_a_blow_s(a, HELD_SPREADS), _jumps_s(a))
    sd_s = a.rhythm.sd_s
    added_s = sd_s - math.sqrt(max(0.0, sd_s**2 - timing_s**2))
    by_chance = timing_s / math.sqrt(max(1, a.rhythm.normal - 1))
    return [
        Part("times of the blows", factor * by_chance),
        rectangular("spread that they add", factor * added_s),
    ]


def _clock(value: float) -> Part:
    return rectangular("clock of the board", 1e-6 * CLOCK_PPM * value, common=True)


def _nominal(a: Analysis) -> str:
    known = a.facts.context.run.rate_hz
    return "" if known else "counted with the nominal rate: the measured one is not known"
