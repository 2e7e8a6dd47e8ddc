"""A record along the rotation: torque where there is a calibration, else counts; both less the zero."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from anviltrace.metrics.facts import RunFacts, ZeroReading
from anviltrace.metrics.scale import Scale
from anviltrace.trace.level import LEAST_QUIET, noise_sd
from anviltrace.trace.torque import net_torque_nm

Numbers = npt.NDArray[np.float64]

LEAST_BEFORE_S = 0.1
"""A shorter stretch before the onset does not tell its noise."""
HUM_S = 0.04
"""Two periods of hum at 50 Hz; a straight line takes some of a single one away."""
_MOST_STRETCHES, _ENOUGH = 250, 400
"""More stretches, and more samples of one, cost time only."""
POLARITY = "polarity"
"""Kind of the notice that the bridge turned out to be wired the other way round."""


@dataclass(frozen=True, slots=True)
class ZeroLevel:
    """The zero of a run: mean of the readings before and after it, in counts.

    ``half_width_counts`` is half of what it moved meanwhile, ``u_counts`` what noise leaves open. The noise
    of single samples, and how far they go ``together``, is that of the quieter reading: whatever disturbs
    one only adds to it. ``missing`` says which reading there is not, ``unsteady`` which was not at rest.
    """

    counts: float
    half_width_counts: float
    u_counts: float
    noise_counts: float
    together: float
    missing: str = ""
    unsteady: str = ""


@dataclass(frozen=True, slots=True)
class Signal:
    """Samples along the rotation, shape (n,), in N·m or, where ``calibrated`` is False, in counts.

    Gaps are bridged by straight lines; ``missing`` marks their samples. ``noise_sd`` is the standard
    deviation of one sample of the zero reading, or of the run before the onset where that is noisier (a mains
    adapter hums only while it is plugged in). ``together`` by how much the variance of a mean exceeds
    that of independent samples. ``lowest`` and ``highest`` are what the converter cannot go beyond.
    """

    values: Numbers
    missing: npt.NDArray[np.bool_]
    first_index: int
    rate_hz: float
    rotation: int
    calibrated: bool
    noise_sd: float
    together: float
    lowest: float
    highest: float

    def noise_of_mean(self, samples: float) -> float:
        """Standard deviation of the mean of so many samples."""
        return self.noise_sd * math.sqrt(self.together / max(samples, 1.0))


def zero_level(before: ZeroReading | None, after: ZeroReading | None) -> ZeroLevel | None:
    """Mean of the readings there are; None without any."""
    readings = [reading for reading in (before, after) if reading is not None]
    if not readings:
        return None
    means = [reading.mean_counts for reading in readings]
    quietest = min(readings, key=lambda reading: reading.sd_counts)
    variance = sum(r.sd_counts**2 * r.together / r.samples for r in readings) / len(readings) ** 2
    return ZeroLevel(
        counts=float(np.mean(means)),
        half_width_counts=0.5 * (max(means) - min(means)),
        u_counts=math.sqrt(variance),
        noise_counts=quietest.noise_counts,
        together=quietest.together,
        missing=_which(before is None, after is None),
        unsteady=_which(before is not None and not before.steady, after is not None and not after.steady),
    )


def _which(before: bool, after: bool) -> str:
    return " and ".join(word for word, holds in (("before", before), ("after", after)) if holds)


def signal_of(facts: RunFacts, scale: Scale, zero: ZeroLevel | None) -> Signal:
    """The record of ``facts`` along its rotation (clockwise where no plan names one).

    Without a zero reading the median of the record stands in, good enough to find blows and no more.
    The record must hold at least one sample.
    """
    counts, missing, first_index = _bridged(facts.pieces)
    settings, run, plan = facts.context.settings, facts.context.run, facts.context.plan
    rotation = 1 if plan is None else plan.rotation.sign
    zero_counts = float(np.median(counts)) if zero is None else zero.counts
    calibrated = scale.any_line is not None
    per_value = (scale.counts_per_nm(1), scale.counts_per_nm(-1)) if calibrated else (_polarity(facts),) * 2
    ends = np.array([settings.saturation_low, settings.saturation_high], dtype=np.float64)
    values, limits = (net_torque_nm(part, zero_counts, *per_value) for part in (counts, ends))
    if rotation < 0:
        values, limits = np.negative(values, out=values), -limits
    rate_hz = run.rate_hz or settings.rate_hz
    noise_counts = _own_noise(counts, rate_hz) if zero is None else zero.noise_counts
    noise_counts = max(noise_counts, _noise_before_onset(facts, counts, first_index))
    return Signal(
        values=values,
        missing=missing,
        first_index=first_index,
        rate_hz=rate_hz,
        rotation=rotation,
        calibrated=calibrated,
        noise_sd=noise_counts / min(map(abs, per_value)),
        together=1.0 if zero is None else zero.together,
        lowest=float(limits.min()),
        highest=float(limits.max()),
    )


def _bridged(
    pieces: tuple[tuple[int, npt.NDArray[np.int32]], ...],
) -> tuple[Numbers, npt.NDArray[np.bool_], int]:
    """Counts of all pieces with straight lines across the gaps, a mark on those, index of the first."""
    filled = [(first, part) for first, part in pieces if len(part)]
    begin, end = filled[0][0], filled[-1][0] + len(filled[-1][1])
    counts, missing = np.empty(end - begin), np.ones(end - begin, dtype=np.bool_)
    for first, part in filled:
        counts[first - begin : first - begin + len(part)] = part
        missing[first - begin : first - begin + len(part)] = False
    if missing.any():
        gaps, beside = np.flatnonzero(missing), np.flatnonzero(_beside(missing))
        counts[gaps] = np.interp(gaps, beside, counts[beside])
    return counts, missing, begin


def _beside(missing: npt.NDArray[np.bool_]) -> npt.NDArray[np.bool_]:
    """The samples right before and right after gaps."""
    beside = np.zeros(len(missing), dtype=np.bool_)
    beside[1:] |= missing[:-1]
    beside[:-1] |= missing[1:]
    return beside & ~missing


def _polarity(facts: RunFacts) -> float:
    """Without a calibration the bridge counts as wired the usual way, unless the recorder noted otherwise."""
    return -1.0 if any(notice.kind == POLARITY for notice in facts.context.notices) else 1.0


def _noise_before_onset(facts: RunFacts, counts: Numbers, first_index: int) -> float:
    """Noise of one sample in the first half of what was recorded before the onset; 0 where that is short."""
    run = facts.context.run
    if run.onset_index is None:
        return 0.0
    half = (run.onset_index - first_index) // 2
    rate_hz = run.rate_hz or facts.context.settings.rate_hz
    return noise_sd(counts[:half]) if half >= max(LEAST_QUIET, LEAST_BEFORE_S * rate_hz) else 0.0


def _own_noise(counts: Numbers, rate_hz: float) -> float:
    """Noise of one sample where no zero reading tells it.

    From the differences of neighbours (median, so that blows do not count), or from the quietest stretch
    where that has more: hum is slower than samples.
    """
    if len(counts) < 3:
        return 0.0
    quick = float(np.median(np.abs(np.diff(counts)))) / (0.6745 * math.sqrt(2.0))
    return max(quick, _quietest(counts, round(HUM_S * rate_hz)))


def _quietest(counts: Numbers, length: int) -> float:
    """Noise of the quietest of successive stretches of so many samples; 0 where there is none."""
    if not LEAST_QUIET <= length <= len(counts):
        return 0.0
    stretches = counts[: len(counts) // length * length].reshape(-1, length)
    some = stretches[:: -(-len(stretches) // _MOST_STRETCHES), :: -(-length // _ENOUGH)]
    return min(noise_sd(stretch) for stretch in some)
