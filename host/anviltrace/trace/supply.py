"""What feeds the tool: voltage before the drive and under load, inner resistance, current, energy.

Definitions (common practice but for the resistance): the open-circuit voltage is that before the tool is
switched on, the loaded one the median while it strikes; sag is their difference as a share of the first.
The resistance is the slope of voltage over current with the charge drawn so far taken out (see
:func:`resistance`), so that a pack that tires does not pass for one of high resistance.

All times are seconds of the run's clock. What depends on when something happened is worked out again with
the record moved by the uncertainty of its clock.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.ndimage import median_filter

from anviltrace.trace.aside import Aside

Floats = npt.NDArray[np.float64]

LEAST_BEFORE_S, LEAST_BEFORE = 0.05, 5
"""What is read before the tool is switched on is at least so long, and holds so many samples."""
ON_SHARE = 0.1
"""The tool counts as switched on where voltage has fallen, or current risen, by this share of its change."""
_GUARD_S = 0.02
"""Left out before the tool is switched on: inputs of filters, and a switch that bounces."""
_BEYOND_NOISE = 6.0
_RUNNING = 5
BLOCK_S = 0.02
"""Voltage and current are averaged over so long before a line is drawn through them."""
LEAST_BLOCKS = 8
LEAST_VARIATION = 0.2
"""Share of the largest current by which it must vary for a resistance to be told."""
LEAST_OVER_NOISE = 10.0
"""So many standard deviations of a block's noise the current must vary as well."""
_MEDIAN_OVER_MEAN = math.sqrt(math.pi / 2.0)
"""A median of normal noise scatters this much more than a mean (from memory: efficiency 2/π)."""


@dataclass(frozen=True, slots=True)
class Estimate:
    """A value, its standard uncertainty from the samples alone, and how far the clock may move it.

    ``dof`` are the degrees of freedom of ``u_samples``; ``moved_by_clock`` is the change of the value when
    the clock is off by its standard uncertainty. ``within_ends`` is how far it may be off, either way,
    because what changes at an end of its stretch is seen to a sample only, ``u_missing`` a standard
    uncertainty for samples that are missing.
    """

    value: float
    u_samples: float
    moved_by_clock: float = 0.0
    dof: float = math.inf
    within_ends: float = 0.0
    u_missing: float = 0.0


@dataclass(frozen=True, slots=True)
class Resistance:
    """Inner resistance in ohm, with the standard uncertainty of the slope and its degrees of freedom.

    ``pulled`` is the share by which the noise of the current may make it read low; ``varied_a`` is how far
    the current of the blocks varied.
    """

    ohm: float
    u_ohm: float
    dof: float
    moved_by_clock: float
    pulled: float
    varied_a: float


def noise_sd(values: Floats) -> float:
    """Standard deviation of one sample, from differences of neighbours (median: steps do not count)."""
    if len(values) < 3:
        return 0.0
    return float(np.median(np.abs(np.diff(values)))) / (0.6745 * math.sqrt(2.0))


def switched_on_s(voltage: Aside | None, current: Aside | None, zero_s: float, end_s: float) -> float | None:
    """When the tool was switched on, as the current shows it or else the voltage; ``zero_s`` at the latest.

    ``zero_s`` to ``end_s`` is the drive window. None where neither shows it: nothing changes, or the record
    begins so near the first blow that there is nothing before, or when the tool was running already. Then
    current flows from the beginning on, or the voltage is higher when all is over than at the beginning.
    """
    ran_s = math.inf
    for shows, sense in ((current, 1.0), (voltage, -1.0)):
        if shows is None or shows.start_s > zero_s - LEAST_BEFORE_S:
            continue
        rest, driven = _at_rest(shows), float(np.median(shows.between(zero_s, end_s)))
        beyond, change = _BEYOND_NOISE * noise_sd(_beginning(shows)), sense * (driven - rest)
        if change <= beyond or shows.start_s > ran_s - LEAST_BEFORE_S:
            continue
        if _ran_already(shows, sense, rest, driven, end_s):
            ran_s = shows.start_s
            continue
        smooth = median_filter(shows.values, size=_RUNNING, mode="nearest")
        over = np.flatnonzero(sense * (smooth - rest) > max(ON_SHARE * change, beyond))
        return zero_s if not over.size else min(zero_s, float(shows.times_s[over[0]]))
    return None


def _beginning(record: Aside) -> Floats:
    """The first samples, before the tool is switched on."""
    before = record.between(record.start_s, record.start_s + LEAST_BEFORE_S)
    return before if len(before) >= LEAST_BEFORE else record.values[:LEAST_BEFORE]


def _at_rest(record: Aside) -> float:
    return float(np.median(_beginning(record)))


def _ran_already(shows: Aside, sense: float, rest: float, driven: float, end_s: float) -> bool:
    """Whether the tool ran when its record began, by current (``sense`` 1) or voltage (-1)."""
    if sense > 0.0:
        return rest - 2.0 * shows.u_zero > ON_SHARE * driven
    lasts_s = max(LEAST_BEFORE_S, (LEAST_BEFORE - 1) / shows.rate_hz)
    if shows.end_s - lasts_s < end_s:
        return False
    after = shows.between(shows.end_s - lasts_s, shows.end_s)
    return float(np.median(after)) - rest > max(ON_SHARE * (rest - driven), noise_sd(after))


def switched_off_s(current: Aside, zero_s: float, end_s: float) -> float:
    """When the current was last above what flowed at the beginning by a tenth of its change from there."""
    rest, driven = _at_rest(current), float(np.median(current.between(zero_s, end_s)))
    smooth = median_filter(current.values, size=_RUNNING, mode="nearest")
    over = np.flatnonzero(smooth > rest + ON_SHARE * (driven - rest))
    return float(current.times_s[over[-1]]) if over.size else end_s


def open_circuit(voltage: Aside, on_s: float) -> Estimate | None:
    """Median before the tool is switched on at ``on_s``; None where there is too little to read."""
    before = voltage.between(voltage.start_s, on_s - _GUARD_S - voltage.start_u_s)
    if len(before) < LEAST_BEFORE or len(before) < LEAST_BEFORE_S * voltage.rate_hz:
        return None
    return Estimate(float(np.median(before)), _u_of_median(before))


def loaded(voltage: Aside, zero_s: float, end_s: float) -> Estimate:
    """Median over the drive window, while the tool strikes."""

    def of(record: Aside) -> float:
        return float(np.median(record.there(zero_s, end_s)))

    values, median = voltage.there(zero_s, end_s), of(voltage)
    noise = noise_sd(values)
    near = int(np.count_nonzero(np.abs(values - median) <= noise))  # those that noise can carry across it
    u = math.hypot(noise / math.sqrt(max(1, near)), _step(values) / math.sqrt(12.0))
    missing = _u_missing_median(values, voltage.missing_share(zero_s, end_s))
    return Estimate(median, u, _moved(of, voltage), u_missing=missing)


@dataclass(frozen=True, slots=True)
class Extreme:
    """The lowest or largest of many samples; ``u_noise`` is the noise of one.

    ``pulled`` is what noise does to it at most: it pulls the extreme of n samples outwards, by √(2·ln n) of
    its standard deviation (the asymptote for the extreme of n normal values, from memory).
    """

    value: float
    u_noise: float
    pulled: float


def lowest(voltage: Aside, on_s: float, end_s: float) -> Extreme:
    """Lowest sample from switching on (seen two samples late at most) to the end of the drive window."""
    return _extreme(voltage, on_s, end_s, np.min)


def highest(current: Aside, on_s: float, end_s: float) -> Extreme:
    """Largest sample of that stretch."""
    return _extreme(current, on_s, end_s, np.max)


def resistance(voltage: Aside, current: Aside, on_s: float, end_s: float) -> Resistance | str:
    """Slope of voltage over current from before switching on to the end; else why it cannot be told.

    V = V0 − R·I − s·Q is fitted by least squares to means over blocks, with Q the charge drawn since the
    beginning: s takes up a pack that tires, and polarisation that creeps in. Means keep a linear relation
    as it is, and a clock that is a little off hardly matters to them. Neighbouring residuals that go
    together widen the uncertainty by (1 + r)/(1 − r), r their correlation (common practice, first order).
    """
    edges = _edges(voltage, current, on_s, end_s)
    if len(edges) <= LEAST_BLOCKS:
        return "voltage and current were not recorded together for long enough"
    amperes = current.means(edges)
    varied = float(np.ptp(amperes))
    noise = noise_sd(current.values) / math.sqrt(max(1.0, current.rate_hz * (edges[1] - edges[0])))
    if varied < LEAST_VARIATION * float(np.abs(amperes).max()) or varied < LEAST_OVER_NOISE * noise:
        return (
            f"the current varied by {varied:.2g} A only, too little to tell a resistance: record from before "
            "the tool is switched on"
        )
    ohm, u_ohm, dof = _slope(voltage, current, edges)
    apart_s = math.hypot(voltage.start_u_s, current.start_u_s)
    moved = max(
        (abs(_slope(voltage, current.shifted(by_s), edges)[0] - ohm) for by_s in (apart_s, -apart_s)),
        default=0.0,
    )
    pulled = noise**2 / float(np.var(amperes))
    return Resistance(ohm, u_ohm, dof, moved if apart_s else 0.0, pulled, varied)


def mean_of(record: Aside, from_s: float, to_s: float) -> Estimate:
    """Time mean of a stretch."""

    def of(one: Aside) -> float:
        return one.mean(from_s, to_s)

    lasts_s = to_s - from_s
    noise = noise_sd(record.between(from_s, to_s)) / math.sqrt(max(1.0, record.rate_hz * lasts_s))
    ends = _within_ends(record, from_s, to_s) / lasts_s
    missing = _u_missing(record, from_s, to_s)
    return Estimate(of(record), noise, _moved(of, record), within_ends=ends, u_missing=missing)


def power(voltage: Aside, current: Aside) -> Aside:
    """Power in watts at the samples of the faster record, as far as both last; clock as of that record.

    ``u_relative`` is that of both scales together; their zeros are for whoever uses a mean of it.
    """
    fast, slow = (voltage, current) if voltage.rate_hz >= current.rate_hz else (current, voltage)
    part = fast.stretch(max(fast.start_s, slow.start_s), min(fast.end_s, slow.end_s))
    times = fast.times_s[part]
    missing = fast.missing[part] | (np.interp(times, slow.times_s, slow.missing) > 0.0)
    clipped = fast.clipped[part] | (np.interp(times, slow.times_s, slow.clipped) > 0.0)
    return Aside(
        values=fast.values[part] * slow.at(times),
        rate_hz=fast.rate_hz,
        start_s=float(times[0]) if len(times) else fast.start_s,
        missing=missing,
        clipped=clipped,
        u_relative=math.hypot(voltage.u_relative, current.u_relative),
        start_u_s=fast.start_u_s,
    )


def energy(voltage: Aside, current: Aside, from_s: float, to_s: float) -> Estimate:
    """Time integral of voltage times current in joules; the clocks of both are moved apart, and together."""

    def of(one: Aside, other: Aside) -> float:
        return power(one, other).integral(from_s, to_s)

    value = of(voltage, current)
    apart = of(voltage, current.shifted(current.start_u_s)) - value
    together = of(voltage.shifted(voltage.start_u_s), current) - value
    noise = math.hypot(
        noise_sd(voltage.between(from_s, to_s)) * current.mean(from_s, to_s) / math.sqrt(voltage.rate_hz),
        noise_sd(current.between(from_s, to_s)) * voltage.mean(from_s, to_s) / math.sqrt(current.rate_hz),
    )
    slower, watts = max(voltage.rate_hz / current.rate_hz, 1.0), power(voltage, current)
    return Estimate(
        value,
        noise * math.sqrt(to_s - from_s),
        math.hypot(apart, together),
        within_ends=slower * _within_ends(watts, from_s, to_s),
        u_missing=(to_s - from_s) * _u_missing(watts, from_s, to_s),
    )


def seen_to_a_sample(voltage: Aside, current: Aside, on_s: float, off_s: float) -> float:
    """Joules by which the energy of a whole run may be off, either way: when exactly current set in and ended
    is seen to a sample of the slower channel at each end."""
    watts, period_s = power(voltage, current), 1.0 / min(voltage.rate_hz, current.rate_hz)
    ends = [watts.between(at_s - 2.0 * period_s, at_s + 2.0 * period_s) for at_s in (on_s, off_s)]
    return math.hypot(*(0.5 * period_s * float(np.max(np.abs(part), initial=0.0)) for part in ends))


def _u_missing_median(values: Floats, share: float) -> float:
    """Of a median: the truth lies between that with all that is missing below it, and all above."""
    if not share:
        return 0.0
    ends = np.quantile(values, [(0.5 - share) / (1.0 - share), 0.5 / (1.0 - share)])
    return float(np.abs(ends - np.median(values)).max()) / math.sqrt(3.0)


def _u_missing(record: Aside, from_s: float, to_s: float) -> float:
    """Of a mean: what is missing may have been off from it by what the rest scatters."""
    share = record.missing_share(from_s, to_s)
    return share * float(np.std(record.there(from_s, to_s))) if share else 0.0


def _within_ends(record: Aside, from_s: float, to_s: float) -> float:
    """How far the integral of a stretch may be off: at each end by half a sample of what changes there."""
    period_s = 1.0 / record.rate_hz
    near = [record.between(at_s - 1.5 * period_s, at_s + 1.5 * period_s) for at_s in (from_s, to_s)]
    return math.hypot(*(0.5 * period_s * float(np.ptp(part)) for part in near if len(part)))


def _extreme(record: Aside, on_s: float, end_s: float, of: Callable[[Floats], np.float64]) -> Extreme:
    """Its noise is that at rest, where there is a stretch to tell."""
    values = record.between(on_s - 2.0 / record.rate_hz, end_s)
    rest = record.between(record.start_s, on_s - _GUARD_S)
    noise = noise_sd(rest if len(rest) >= LEAST_BEFORE else record.values)
    return Extreme(float(of(values)), noise, noise * math.sqrt(2.0 * math.log(max(2, len(values)))))


def _moved(of: Callable[[Aside], float], record: Aside) -> float:
    """Largest change of a value when its clock is off by its standard uncertainty, either way."""
    if not record.start_u_s:
        return 0.0
    value, u_s = of(record), record.start_u_s
    return max(abs(of(record.shifted(u_s)) - value), abs(of(record.shifted(-u_s)) - value))


def _u_of_median(values: Floats) -> float:
    """At rest: from the scatter of 20 blocks' medians around a straight line, and the step of the values."""
    blocks = [part for part in np.array_split(values, min(20, len(values))) if len(part)]
    medians = np.array([float(np.median(part)) for part in blocks])
    if len(medians) < 4:
        return 0.0
    at = np.arange(len(medians))
    left = medians - np.polyval(np.polyfit(at, medians, 1), at)
    scatter = math.sqrt(float(left @ left) / (len(medians) - 2))
    noise = _MEDIAN_OVER_MEAN * scatter / math.sqrt(len(medians))
    return math.hypot(noise, _step(values) / math.sqrt(12.0))


def _step(values: Floats) -> float:
    """The smallest difference between two values: the step of whatever recorded them."""
    steps = np.diff(np.unique(values))
    return float(steps.min()) if steps.size else 0.0


def _edges(voltage: Aside, current: Aside, on_s: float, end_s: float) -> Floats:
    """Ends of the blocks, as far as both records last, from as long before switching on as after it."""
    slowest_hz = min(voltage.rate_hz, current.rate_hz)
    length_s = max(BLOCK_S, 3.0 / slowest_hz, 10.0 * math.hypot(voltage.start_u_s, current.start_u_s))
    first_s = max(voltage.start_s, current.start_s)
    last_s = min(voltage.end_s, current.end_s, end_s)
    count = max(0, math.floor((last_s - first_s) / length_s))
    return np.asarray(first_s + length_s * np.arange(count + 1)) if on_s < last_s else np.empty(0)


def _slope(voltage: Aside, current: Aside, edges: Floats) -> tuple[float, float, float]:
    """Resistance in ohm, its standard uncertainty, degrees of freedom."""
    volts, amperes = voltage.means(edges), current.means(edges)
    charge = (np.cumsum(amperes) - 0.5 * amperes) * (edges[1] - edges[0])
    table = np.column_stack([np.ones_like(amperes), -amperes, -charge])
    solution, _, _, _ = np.linalg.lstsq(table, volts, rcond=None)
    left = volts - table @ solution
    dof = len(volts) - 3
    together = float(left[1:] @ left[:-1]) / max(float(left @ left), 1e-300)
    wider = (1.0 + max(0.0, together)) / (1.0 - min(0.95, max(0.0, together)))
    covariance = np.linalg.inv(table.T @ table) * float(left @ left) / dof * wider
    return float(solution[1]), math.sqrt(float(covariance[1, 1])), max(1.0, dof / wider)
