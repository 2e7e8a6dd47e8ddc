"""Metrics of supply and handle on drawn records, held against what is true of them.

As :mod:`metric_study` does for those of torque: intervals, one-sided bounds, reasons. What is true is worked
out on the fine grid of :mod:`drawn_sides`, the weighting by scipy.signal from its published parameters.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace
from itertools import count, pairwise

import metric_study
import numpy as np
from drawn_records import SLOW_HZ, Drawn, drawn_record
from drawn_sides import AXES, STEP_S, Beside, Seen, beside, sides, with_hole
from metric_study import Judged
from record_truths import Teller
from scipy import signal
from scipy.fft import irfft, next_fast_len, rfft, rfftfreq

from anviltrace.metrics.analysis import analyse
from anviltrace.metrics.catalogue import CATALOGUE, Group
from anviltrace.metrics.evaluate import evaluate
from anviltrace.metrics.results import Value
from anviltrace.metrics.sidevalues import side_values
from anviltrace.records import Quantity

Floats = np.ndarray
NAMES = tuple(name for name, entry in CATALOGUE.items() if entry.group in (Group.SUPPLY, Group.HANDLE))
ONE_SIDED = frozenset(
    ("supply_lowest", "current_peak", "vibration_x", "vibration_y", "vibration_z", "vibration_total",
     "exposure_points", "time_to_action", "time_to_limit")
)  # fmt: skip
"""Metrics with bounds: interval and bounds together hold them."""
LIMITS = frozenset(
    ("scale of the side channel", "zero of the side channel", "clock of the side channel",
     "both ends to a sample", "ends to a sample", "missing samples")
)  # fmt: skip
"""Causes that are known by their limits."""
_HOLES = 0.1
_J_PER_WH = 3600.0


@dataclass(frozen=True)
class Case:
    """A record with its channels; times in seconds from the first sample."""

    one: Drawn
    true: Beside
    seen: dict[str, Seen]
    zero_s: float
    end_s: float
    blows_s: Floats

    def driven(self, values: Floats) -> Floats:
        """What lies in the drive window."""
        return values[self.between(self.zero_s, self.end_s)]

    def between(self, from_s: float, to_s: float) -> slice:
        return slice(*np.searchsorted(self.true.at, (from_s, to_s)).tolist())


def case_of(seed: int) -> Case:
    """The record of a seed: one whose converter is fast enough for single blows."""
    one = next(
        found for at in count() if (found := drawn_record(seed + 1_000_000 * at)).bench.rate_hz >= SLOW_HZ
    )
    random, told = np.random.default_rng([12, seed]), Teller(one)
    starts_s = told.start_s - one.first_s
    true = beside(starts_s, random)
    seen = sides(true, random)
    zero_s, end_s = float(starts_s[0]), told.end_s - one.first_s
    if random.random() < _HOLES:
        share = random.uniform(0.02, 0.09) if random.random() < 0.7 else 0.3
        seen = {
            name: with_hole(
                channel, zero_s + 0.1 * (end_s - zero_s), zero_s + (0.1 + share) * (end_s - zero_s)
            )
            for name, channel in seen.items()
        }
    return Case(one, true, seen, zero_s, end_s, starts_s[told.single])


def judge(seed: int) -> list[Judged]:
    """All side values of the record of a seed."""
    case = case_of(seed)
    facts = replace(case.one.facts, sides=tuple(seen.side for seen in case.seen.values()))
    with metric_study.limited(LIMITS) as shares:
        values = evaluate(facts).values if _gains(case) else side_values(analyse(facts), ())
    true = truths(case)
    return [_judge(case, value, true, shares) for value in values if value.name in NAMES]


def _judge(case: Case, value: Value, true: dict[str, float], shares: dict[float, float]) -> Judged:
    name, seed = value.name, case.one.seed
    expected = expected_reasons(case, name)
    if value.value is None:
        right = "open" if expected is None else "wrong"
        if expected and any(words in value.withheld for words in expected):
            right = "right" if any(words and words in value.withheld for words in expected) else "open"
        return Judged(name, seed, reason=right, told=value.withheld)
    if expected:
        return Judged(name, seed, reason="lacking", told=expected[0])
    half, truth = value.expanded or 1e-12, true[name]
    error = math.nan if name in ONE_SIDED else (value.value - truth) / half
    above = below = math.nan
    if name in ONE_SIDED:
        above = (value.value + half + value.under_read - truth) / half
        below = (truth - value.value + half + value.over_read) / half
    return Judged(
        name, seed, error, above, below, shares.get(half, 0.0), told=value.flags[0] if value.flags else ""
    )


def truths(case: Case) -> dict[str, float]:
    """True values by name."""
    true, watts = case.true, case.true.volts * case.true.amperes
    loaded = float(np.median(case.driven(true.volts)))
    on = case.between(true.on_s, case.end_s)
    joule = float(watts[case.between(true.on_s, true.off_s)].sum() * STEP_S)
    blows = case.blows_s
    found = {
        "supply_open": true.open_v,
        "supply_loaded": loaded,
        "supply_lowest": _extreme(case, Quantity.SUPPLY_VOLTAGE, np.min),
        "supply_sag": 100.0 * (1.0 - loaded / true.open_v),
        "supply_resistance": 1e3 * true.ohm,
        "current_mean": float(case.driven(true.amperes).mean()),
        "current_peak": _extreme(case, Quantity.SUPPLY_CURRENT, np.max),
        "power_mean": float(case.driven(watts).mean()),
        "energy_run": joule,
        "energy_run_wh": joule / _J_PER_WH,
        "energy_per_blow": float(watts[case.between(blows[0], blows[-1])].sum() * STEP_S / (len(blows) - 1)),
        "energy_per_nm": float(watts[on].sum() * STEP_S) / _gained_nm(case),
        "trigger_time": true.off_s - true.on_s,
        "handle_turn": math.degrees(_mean_swing(case, true.turning[np.newaxis])),
        "handle_swing": _mean_swing(case, np.stack(list(true.axes.values()))),
    }
    return found | _shaken(case)


def _gained_nm(case: Case) -> float:
    """What the joint keeps in the end over what it began with; NaN without one, or where it relaxes."""
    levels = case.one.struck.levels_nm
    return float(levels[-1] - levels[0]) if _gains(case) and case.one.bench.climb != "relaxing" else math.nan


def _gains(case: Case) -> bool:
    """Whether a held joint is tightened."""
    return case.one.bench.climb != "none"


def _extreme(case: Case, quantity: Quantity, of: Callable[[Floats], Floats]) -> float:
    """Extreme of what the sensor shows without noise: what comes between its samples is not promised."""
    seen = case.seen[quantity]
    first, end = np.searchsorted(seen.exact_at, (case.true.on_s, case.end_s)).tolist()
    return float(of(seen.exact[first:end])) if end > first > 0 else math.nan


def _shaken(case: Case) -> dict[str, float]:
    limited = [_through(values, *_BAND) for values in case.true.axes.values()]
    weighted = [_through(values, *_WEIGHTED) for values in case.true.axes.values()]
    axes = [math.sqrt(float(np.mean(case.driven(values) ** 2))) for values in weighted]
    a_hv = math.sqrt(sum(a**2 for a in axes))
    length = np.sqrt(sum(values**2 for values in limited))
    peaks = [float(length[case.between(*ends)].max()) for ends in pairwise(case.blows_s)]
    return {
        **{f"vibration_{quantity[-1]}": a for quantity, a in zip(AXES, axes, strict=True)},
        "vibration_total": a_hv,
        "exposure_points": 2.0 * a_hv**2,
        "time_to_action": 480.0 * (2.5 / a_hv) ** 2,
        "time_to_limit": 480.0 * (5.0 / a_hv) ** 2,
        "handle_peak": float(np.mean(peaks)) if peaks else math.nan,
    }


def _mean_swing(case: Case, axes: Floats) -> float:
    """Mean over the blows of how far the integral of values less their mean goes."""
    gone = []
    for ends in pairwise(case.blows_s):
        part = axes[:, case.between(*ends)]
        free = np.cumsum(part - part.mean(axis=1, keepdims=True), axis=1) * STEP_S
        gone.append(float(np.sqrt((free**2).sum(axis=0)).max()))
    return float(np.mean(gone)) if gone else math.nan


def _filters() -> tuple[tuple[list[complex], list[complex], float], ...]:
    """Zeros, poles and gain of the band limiting and of Wh (ISO 8041-1, as published)."""
    low, high, turn = (2.0 * math.pi * hz for hz in (10.0**0.8, 10.0**3.1, 100.0 / (2.0 * math.pi)))
    band = [root for w in (low, high) for root in np.roots([1.0, w * math.sqrt(2.0), w**2]).tolist()]
    more = np.roots([1.0, turn / 0.64, turn**2]).tolist()
    return ([0.0, 0.0], band, high**2), ([0.0, 0.0, -turn], [*band, *more], high**2 * turn)


_BAND, _WEIGHTED = _filters()


def _through(values: Floats, zeros: list[complex], poles: list[complex], gain: float) -> Floats:
    """The values behind a filter, gravity left out."""
    free = values - values.mean()
    length = next_fast_len(free.size + round(0.5 / STEP_S), real=True)
    _, response = signal.freqs_zpk(zeros, poles, gain, 2.0 * math.pi * rfftfreq(length, STEP_S))
    return np.asarray(irfft(rfft(free, length) * response, length)[: free.size])


def expected_reasons(case: Case, name: str) -> tuple[str, ...] | None:
    """Words of the reasons to withhold a value by its definition; none where it is to be given, None where
    what can be read leaves it open. "" among others: what else can be read leaves another reason open."""
    told = [
        one
        for quantity in _channels_of(name)
        for one in (_began_late(case, quantity, name), _holed(case, quantity), _slow(case, quantity, name))
    ]
    if name in _FROM_ON:
        told.append(_ran_already(case))
    if name == "energy_per_nm":
        told.append(_gain_known(case))
    if name == "supply_resistance" and _rate_hz(case, *_channels_of(name)) < _SLOW_RESISTANCE_HZ:
        return None
    if name.startswith("handle_"):
        told.append(_enough_blows(case))
    sure = tuple(reason for reason in told if reason)
    return (*sure, "" if None in told else sure[0]) if sure else None if None in told else ()


_FROM_ON = ("supply_open", "supply_sag", "supply_resistance", "energy_run", "energy_run_wh", "energy_per_nm")
"""Metrics that take the moment in which the tool was switched on."""
_SLOW_RESISTANCE_HZ = 200.0
_VOLTS = ("supply_open", "supply_loaded", "supply_lowest", "supply_sag")
_NEAR = 0.3
_FEW, _FEW_A_BLOW, _LEAST_HZ, _TO_BEGIN_S = 5, 20, 3037.0, 0.05


def _channels_of(name: str) -> tuple[Quantity, ...]:
    if name in _VOLTS:
        return (Quantity.SUPPLY_VOLTAGE,)
    if name.startswith("current"):
        return (Quantity.SUPPLY_CURRENT,)
    if name.startswith(("supply", "power", "energy")):
        return (Quantity.SUPPLY_VOLTAGE, Quantity.SUPPLY_CURRENT)
    single = {"trigger_time": Quantity.TRIGGER, "handle_turn": Quantity.HANDLE_ROTATION}
    single |= {f"vibration_{quantity[-1]}": quantity for quantity in AXES}
    return (single[name],) if name in single else AXES


def _rate_hz(case: Case, *quantities: Quantity) -> float:
    return min(case.seen[quantity].side.channel.rate_hz for quantity in quantities)


def _began_late(case: Case, quantity: Quantity, name: str) -> str | None:
    """A channel must hold the window from its beginning, and what comes before where that is asked for."""
    seen, true = case.seen[quantity], case.true
    channel, begins_s = seen.side.channel, float(seen.exact_at[0])
    period_s = 1.0 / channel.rate_hz
    if quantity is Quantity.TRIGGER:
        return "the trigger" if begins_s > true.on_s else ""
    needed_s = true.on_s if name in _FROM_ON else case.zero_s
    if name in ("supply_lowest", "current_peak") and true.on_s - 0.02 < begins_s < case.zero_s:
        return None
    near_s = 3.0 * period_s + 4.0 * channel.start_u_s + 0.02
    if name in ("supply_open", "supply_sag"):
        needed_s -= max(_TO_BEGIN_S, _FEW * period_s) + 0.02
    if abs(begins_s - needed_s) < near_s:
        return None
    if begins_s < needed_s:
        return ""
    return "begins too late" if name in ("supply_open", "supply_sag") else "was recorded from"


def _ran_already(case: Case) -> str | None:
    """Current or else voltage tell when the tool was switched on, where they begin before that."""
    told = [_before_on(case, quantity) for quantity in (Quantity.SUPPLY_CURRENT, Quantity.SUPPLY_VOLTAGE)]
    if told[0] == "":
        return ""
    return "begins too late" if all(told) else None


def _before_on(case: Case, quantity: Quantity) -> str | None:
    seen = case.seen[quantity]
    rate_hz = seen.side.channel.rate_hz
    before_s = case.true.on_s - float(seen.exact_at[0])
    half_s = 0.5 * max(_TO_BEGIN_S, _FEW / rate_hz)
    if abs(before_s - half_s) < half_s + 2.0 / rate_hz + 0.005:
        return None
    return "" if before_s > 0.0 else "begins too late"


def _holed(case: Case, quantity: Quantity) -> str | None:
    """Of which a third of the window is missing; the share of a longer stretch is left open."""
    pieces = case.seen[quantity].side.pieces
    if len(pieces) < 2 or quantity is Quantity.TRIGGER:
        return ""
    (first, counts), (behind, _) = pieces
    missing_s = (behind - first - len(counts)) / case.seen[quantity].side.channel.rate_hz
    return None if missing_s > 0.05 * (case.end_s - case.zero_s) else ""


def _slow(case: Case, quantity: Quantity, name: str) -> str | None:
    rate_hz = case.seen[quantity].side.channel.rate_hz
    if quantity in AXES:
        return _under(rate_hz, _LEAST_HZ, 0.0, "too few for a band")
    if quantity is Quantity.HANDLE_ROTATION:
        usual_s = float(np.median(np.diff(case.blows_s))) if len(case.blows_s) > 1 else 0.0
        return _under(rate_hz * usual_s, _FEW_A_BLOW, 0.1, "too few to follow the handle")
    if name in ("supply_open", "trigger_time"):
        return ""
    lasts_s = case.end_s - case.zero_s
    if name in ("supply_lowest", "current_peak", "energy_run", "energy_run_wh", "energy_per_nm"):
        return None if rate_hz * lasts_s < 2 * _FEW else ""
    return _under(rate_hz * lasts_s, _FEW, _NEAR, "are too few")


def _under(value: float, limit: float, near: float, reason: str) -> str | None:
    if abs(value / limit - 1.0) <= near:
        return None
    return reason if value < limit else ""


def _gain_known(case: Case) -> str | None:
    if not case.one.bench.zeros:
        return "no zero reading"
    return None if len(case.blows_s) < 6 or _gained_nm(case) < 30.0 else ""


def _enough_blows(case: Case) -> str | None:
    return None if len(case.blows_s) <= 5 else ""


def study(seeds: Iterable[int]) -> list[Judged]:
    """:func:`judge` for each of the seeds."""
    return [row for seed in seeds for row in judge(seed)]
