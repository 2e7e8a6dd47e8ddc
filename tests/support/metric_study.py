"""Every metric of the catalogue on drawn records, held against what is true of them.

For each value: whether its interval holds the truth, and each of its one-sided bounds; whether something
known by its limits (a rectangle) has more than half of its variance; and where it is withheld whether that is
for the reason that the definition gives. Benches whose ring-down is not on record have no bound for what the
resonance does, so peaks, widths and rises are judged on the others.
"""

from __future__ import annotations

import math
import multiprocessing
from collections.abc import Iterable, Iterator
from concurrent.futures import ProcessPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass, replace

import numpy as np
from drawn_records import Drawn, drawn_record
from record_truths import Truths, truths

from anviltrace.metrics import values as making
from anviltrace.metrics.catalogue import CATALOGUE, Need
from anviltrace.metrics.evaluate import evaluate
from anviltrace.metrics.results import Value
from anviltrace.metrics.uncertainty import Combined, Part, combine
from anviltrace.onethread import environment_of_workers
from anviltrace.trace.sampling import corrected_width_s

BOUNDED = frozenset(
    (
        "peak_at",
        "peak_mean",
        "net_peak_mean",
        "peak_max",
        "maximum_torque",
        "peak_impulse",
        "rise_median",
        "shape_number",
    )
)
"""Metrics that only interval and bounds together hold."""
SHOWN = frozenset(("width_median", "time_zero", "onset"))
"""Whose interval is about what the converter shows, and whose bounds are about the blow itself."""
LIMITS = frozenset(
    (
        "zero moved during the run", "between two levels", "between two peaks", "end of the window",
        "missing samples", "bend above the hung weights", "place where the level changes",
        "between two blows", "clock of the board", "half a sample", "a sample", "spread that they add",
        "scatter that noise adds", "levels at the ends of the line",
    )
)  # fmt: skip
"""Causes that are known by their limits."""
_NEAR, _EXACT = 0.06, 1e-12
_FEW_SAMPLES, _FEW_SWINGS, _SLOW_HZ, _MOST_RING = 2.5, 1.5, 1000.0, 0.1


@dataclass(frozen=True, slots=True)
class Judged:
    """One value, all over its half width: error, bounds; ``limited`` is the share of what has limits.

    ``error`` is the value less the truth (NaN: not judged); ``above`` by how much the upper end, bound
    included, lies above the truth, ``below`` by how much the truth lies above the lower end (NaN: no bounds).
    ``reason`` is "" for a value that is given, "right" or "wrong" for one withheld, "open" where the
    definition leaves it open within what can be read, and "lacking" for one that should have been withheld.
    ``told`` are the words of a reason, or of the first flag of a value; ``climb`` is how the level climbed.
    """

    name: str
    seed: int
    error: float = math.nan
    above: float = math.nan
    below: float = math.nan
    limited: float = 0.0
    reason: str = ""
    told: str = ""
    climb: str = ""


def judge(seed: int) -> list[Judged]:
    """All values of the record of a seed."""
    one = drawn_record(seed)
    true = truths(one)
    with limited() as shares:
        result = evaluate(one.facts)
    values = [value for value in result.values if value.name in CATALOGUE]
    return [replace(_judge(one, true, value, shares), climb=one.bench.climb) for value in values]


@contextmanager
def limited(causes: frozenset[str] = LIMITS) -> Iterator[dict[float, float]]:
    """Share of ``causes`` in the variance of each expanded uncertainty that is made meanwhile."""
    shares: dict[float, float] = {}

    def noted(parts: Iterable[Part]) -> Combined:
        every = list(parts)
        total = combine(every)
        limits = sum(part.u**2 for part in every if part.cause in causes)
        shares[total.expanded] = limits / total.standard**2 if total.standard else 0.0
        return total

    making.combine = noted  # type: ignore[attr-defined]
    try:
        yield shares
    finally:
        making.combine = combine  # type: ignore[attr-defined]


def _judge(one: Drawn, true: Truths, value: Value, shares: dict[float, float]) -> Judged:
    expected = expected_reason(one, true, value)
    if value.value is None:
        return Judged(value.name, one.seed, reason=_withheld(true, value, expected), told=value.withheld)
    if expected:
        return Judged(value.name, one.seed, reason="lacking", told=expected)
    told = value.flags[0] if value.flags else ""
    if value.expanded is None:
        return Judged(value.name, one.seed, told=told)
    return replace(_held(one, true, value, shares.get(value.expanded, 0.0)), told=told)


def _withheld(true: Truths, value: Value, expected: str | None) -> str:
    """Whether a value is withheld for the right reason."""
    if value.beyond is not None:
        near = any("whether it was reached is not sure" in flag for flag in value.flags)
        return "right" if value.key in true.beyond else "open" if near else "wrong"
    if expected is None:
        return "open"
    return "right" if expected and expected in value.withheld else "wrong"


def _held(one: Drawn, true: Truths, value: Value, limited: float) -> Judged:
    assert value.value is not None
    assert value.expanded is not None
    half = value.expanded or _EXACT
    applied, shown = true.applied.get(value.key, math.nan), true.shown.get(value.key, math.nan)
    error = math.nan if value.name in BOUNDED else value.value - (shown if value.name in SHOWN else applied)
    above = below = math.nan
    if value.name in BOUNDED | SHOWN and one.bench.tapped:
        above = value.value + half + value.under_read - applied
        below = applied - value.value + half + value.over_read
    return Judged(value.name, one.seed, error / half, above / half, below / half, limited)


def expected_reason(one: Drawn, true: Truths, value: Value) -> str | None:
    """Words that the reason to withhold a value has by its definition; "" where it is to be given, None where
    what can be read leaves it open."""
    told = [_lacking(one, true, need) for need in CATALOGUE[value.name].needs]
    told += [_over_limit(one, true, value), _own(one, value)]
    return next((reason for reason in told if reason != ""), "")


def _lacking(one: Drawn, true: Truths, need: Need) -> str | None:
    bench = one.bench
    if need is Need.BLOWS and bench.rate_hz < _SLOW_HZ:
        return "cannot show single blows"
    if need is Need.ZERO and not bench.zeros:
        return "no zero reading"
    if need is Need.SHAPE:
        few = _below(1.5 * true.shown_width_s * bench.rate_hz, _FEW_SAMPLES, 0.3, "needed to measure one")
        if few != "" or not bench.tapped:
            return few
        base_s = float(corrected_width_s(1.5 * true.shown_width_s, one.facts.boxcars_s))
        return _below(bench.natural_hz * base_s, _FEW_SWINGS, 0.2, "times within a blow")
    if need is Need.QUIET:
        return _below(-true.ring_left, -_MOST_RING, 0.5, "still rings when the next one comes")
    return ""


def _over_limit(one: Drawn, true: Truths, value: Value) -> str | None:
    if value.name not in _BELOW_LIMIT or (value.name == "mean_torque" and one.bench.loosening):
        return ""
    beyond = _below(-true.highest_nm, -one.limit_nm, 0.1, "vouch for")
    return None if beyond and value.name == "peak_at" else beyond  # only the peaks beside the mark count


def _below(value: float, limit: float, near: float, reason: str) -> str | None:
    if abs(value / limit - 1.0) <= near:
        return None
    return reason if value < limit else ""


def _own(one: Drawn, value: Value) -> str | None:
    """What single metrics ask for beside their needs."""
    bench, name = one.bench, value.name
    if name == "mean_torque" and bench.loosening:
        return "which acts against the tool"
    if one.facts.context.run.onset_index is None:
        if name == "onset":
            return "did not see the tool set in"
        if name in ("time_zero", "mean_torque") and bench.rate_hz < _SLOW_HZ:
            return "not seen to set in"
    if name in ("retained_at", "peak_at"):
        return _past_the_end(one, value)
    if name == "relaxation" and bench.climb != "relaxing":
        return "10.05 s are needed"
    if name in ("climb_end", "climb_tau", "climb_rms"):
        return _exponential(one)
    if name.startswith(("climb_", "plateau")) or (name == "time_to" and value.value is None):
        return None
    return ""


def _past_the_end(one: Drawn, value: Value) -> str | None:
    assert value.at_s is not None
    starts = one.struck.start_s
    reach_s = float(starts[-1] - starts[0]) + 0.5 * one.bench.width_s
    if value.name == "retained_at":
        reach_s += min(float(np.median(np.diff(starts))), 0.05)
    return _below(-value.at_s, -reach_s, 0.02, "last blow came")


_BELOW_LIMIT = BOUNDED - {"rise_median", "shape_number"}
_BELOW_LIMIT |= {"impulse_mean", "impulse_squared", "impulse_rate", "mean_torque"}


def _exponential(one: Drawn) -> str | None:
    """Given from two time constants on; near 1.5, for few levels, much scatter or other climbs it is open."""
    driven = min(1.0, one.bench.drive_share)
    sure = len(one.struck.start_s) * driven >= 14 and one.bench.scatter <= 0.01
    constants = driven * one.struck.constants
    if sure and constants < 0.8:
        return "time constants of the climb"
    return "" if sure and constants > 2.0 else None


def study(seeds: Iterable[int]) -> list[Judged]:
    """:func:`judge` for each of the seeds, on two processes of one thread each."""
    spawn = multiprocessing.get_context("spawn")
    with environment_of_workers(), ProcessPoolExecutor(2, spawn) as pool:
        return [row for rows in pool.map(judge, seeds, chunksize=10) for row in rows]


@dataclass(frozen=True, slots=True)
class Line:
    """What came of one metric. Shares are NaN where nothing was judged.

    ``width`` is how many times the 95th percentile of its error an interval is wide.
    """

    name: str
    given: int
    withheld: int
    open: int
    wrong: int
    judged: int
    held: float
    held_normal: float
    held_limited: float
    limited: float
    width: float
    bounded: int
    above: float
    below: float


def line_of(name: str, rows: list[Judged]) -> Line:
    """The line of the table for one metric."""
    mine = [row for row in rows if row.name == name]
    given = [row for row in mine if not row.reason]
    errors = np.array([row.error for row in given])
    limited = np.array([row.limited for row in given]) > 0.5
    known = np.isfinite(errors)
    above, below = (np.array([getattr(row, side) for row in given]) for side in ("above", "below"))
    bounded = np.isfinite(above)
    return Line(
        name=name,
        given=len(given),
        withheld=sum(row.reason in ("right", "open", "wrong") for row in mine),
        open=sum(row.reason == "open" for row in mine),
        wrong=sum(row.reason in ("wrong", "lacking") for row in mine),
        judged=int(known.sum()),
        held=_share(np.abs(errors[known]) <= 1.0),
        held_normal=_share(np.abs(errors[known & ~limited]) <= 1.0),
        held_limited=_share(np.abs(errors[known & limited]) <= 1.0),
        limited=_share(limited[known]),
        width=_width(np.abs(errors[known])),
        bounded=int(bounded.sum()),
        above=_share(above[bounded] >= 0.0),
        below=_share(below[bounded] >= 0.0),
    )


def _width(errors: np.ndarray) -> float:
    most = float(np.quantile(errors, 0.95)) if errors.size else 0.0
    return 1.0 / most if most else math.nan


def _share(marks: np.ndarray) -> float:
    return float(np.mean(marks)) if marks.size else math.nan
