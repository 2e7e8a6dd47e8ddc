"""The uncertainty budget of a torque between zero and the highest hung load, as a table of its terms.

Two results, as in published practice: for torque that only rises, and with hysteresis, for torque that rises
and falls. Each belongs to its own straight line through zero; use under impacts takes the second. A width
given at the loads counts at a torque with the largest value up to the next load above it, in N·m, so that
below the lowest load it does not shrink any more: torque that falls again may turn back anywhere. Where it
only rises, the transducer departs from its line as it did at the loads beside that torque.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from enum import StrEnum
from functools import partial

from anviltrace.calibration.coverage import coverage_factor, effective_dof
from anviltrace.calibration.profiles import Profile, Rule
from anviltrace.calibration.quantities import Level, Quantities, largest
from anviltrace.calibration.secondarm import SecondArm
from anviltrace.errors import CalibrationError

PROBABILITY = 0.9545
"""Coverage of a budget's expanded uncertainty: about k = 2 where the degrees of freedom are many."""
NOT_MEASURED = (
    "noise of single samples: it belongs to the run",
    "temperature, creep, and drift since the calibration: not measured here",
)


class Case(StrEnum):
    """Which use of the rig a result is for."""

    RISING = "increasing only"
    BOTH = "with hysteresis"


@dataclass(frozen=True, slots=True)
class Input:
    """Something that makes a torque uncertain in proportion to it, and by how much.

    ``width`` over the rule's divisor is the standard uncertainty in ``unit``. ``u_relative`` is what that
    makes of any torque.
    """

    symbol: str
    source: str
    unit: str
    estimate: float
    width: float
    rule: Rule
    u_relative: float
    dof: float = math.inf


@dataclass(frozen=True, slots=True)
class Term:
    """A line of the table; ``sensitivity`` in N·m per ``unit``, a magnitude, ``share`` of the variance.

    ``width`` is a half width, a full width or a standard deviation, as ``distribution`` says; over
    ``divisor`` it is the standard uncertainty in ``unit``.
    """

    symbol: str
    source: str
    unit: str
    estimate: float
    width: float
    distribution: str
    divisor: float
    sensitivity: float
    contribution_nm: float
    dof: float
    share: float = 0.0


@dataclass(frozen=True, slots=True)
class Budget:
    """Uncertainty of ``torque_nm``: the table, its sum, degrees of freedom and k for 95.45 %.

    ``left_out`` says in words what is not in it.
    """

    torque_nm: float
    case: Case
    profile: str
    terms: tuple[Term, ...]
    u_nm: float
    dof: float
    k: float
    left_out: tuple[str, ...]

    @property
    def expanded_nm(self) -> float:
        """Half width of the interval."""
        return self.k * self.u_nm

    @property
    def expanded_percent(self) -> float:
        """The same, relative to the torque."""
        return 100.0 * self.expanded_nm / self.torque_nm


@dataclass(frozen=True, slots=True)
class Basis:
    """What the budgets of a calibration are computed from; ``counts_per_nm`` is a magnitude.

    ``inputs`` are the reference torque's: they are in every budget. ``statistics`` are those that only
    some profiles take in, for each result (line: the scatter's part in the slope; m: a new mounting).
    ``scatter_nm`` with ``scatter_dof`` is the standard deviation of one reading within a mounting, ``second``
    what the series with a second arm comes to, None where there is none. ``beyond`` is the share of the
    distances from a result's line that the uncertainty of the loads does not account for.
    """

    quantities: Quantities
    counts_per_nm: float
    inputs: tuple[Input, ...]
    statistics: Mapping[Case, tuple[Input, ...]]
    scatter_nm: float
    scatter_dof: float
    second: SecondArm | None = None
    beyond: Mapping[Case, float] = field(default_factory=lambda: dict.fromkeys(Case, 1.0))


def k_factor(degrees: float, probability: float = PROBABILITY) -> float:
    """Student's t for a two-sided interval of this probability; ``degrees`` may be infinite."""
    return coverage_factor(degrees, probability)


def make_budget(basis: Basis, torque_nm: float, case: Case, profile: Profile) -> Budget:
    """The budget at a torque, a magnitude.

    Raises CalibrationError beyond the highest load, and for the case with hysteresis without a falling
    series.
    """
    highest_nm = basis.quantities.levels[-1].torque_nm
    if not 0.0 < torque_nm <= highest_nm * (1.0 + 1e-9):
        raise CalibrationError(
            f"a budget for {torque_nm:.1f} N·m: it is made from above 0 up to the highest load of "
            f"{highest_nm:.1f} N·m; hang more for more"
        )
    if case is Case.BOTH and basis.quantities.worst_percent("line_both_percent") is None:
        raise CalibrationError(basis.quantities.missing["line_both_percent"])
    terms = [_input_term(one, torque_nm) for one in basis.inputs]
    terms += [_input_term(one, torque_nm) for one in basis.statistics[case] if one.symbol in profile.rules]
    terms += _quantity_terms(basis, torque_nm, case, profile)
    return _sum_up(terms, torque_nm, case, profile, _left_out(basis, torque_nm, case, profile))


def smallest_usable_nm(
    expanded_percent: Callable[[float], float], least_nm: float, highest_nm: float, limit_percent: float
) -> float | None:
    """The torque from which on ``expanded_percent`` stays within the limit up to ``highest_nm``.

    At least ``least_nm``; None where it is beyond the limit at ``highest_nm``.
    """
    steps = 60
    if least_nm > highest_nm or expanded_percent(highest_nm) > limit_percent:
        return None
    grid = [float(least_nm * (highest_nm / least_nm) ** (place / steps)) for place in range(steps + 1)]
    beyond = [
        place for place, torque_nm in enumerate(grid[:-1]) if expanded_percent(torque_nm) > limit_percent
    ]
    if not beyond:
        return least_nm
    low, high = grid[beyond[-1]], grid[beyond[-1] + 1]
    for _ in range(30):
        middle = 0.5 * (low + high)
        if expanded_percent(middle) > limit_percent:
            low = middle
        else:
            high = middle
    return high


def _input_term(one: Input, torque_nm: float) -> Term:
    u = one.width / one.rule.divisor
    contribution = one.u_relative * torque_nm
    return Term(
        one.symbol,
        one.source,
        one.unit,
        one.estimate,
        one.width,
        one.rule.distribution,
        one.rule.divisor,
        contribution / u if u > 0.0 else 0.0,
        contribution,
        one.dof,
    )


def _quantity_terms(basis: Basis, torque_nm: float, case: Case, profile: Profile) -> list[Term]:
    widths = _widths_nm(basis, torque_nm, case)
    taken = profile.rules.keys() & widths.keys()
    return [
        Term(
            symbol,
            source,
            "N·m",
            0.0,
            width,
            profile.rules[symbol].distribution,
            profile.rules[symbol].divisor,
            1.0,
            width / profile.rules[symbol].divisor,
            basis.scatter_dof if symbol == "s" else math.inf,
        )
        for symbol, (source, width) in widths.items()
        if symbol in profile.rules and width is not None and not (symbol == "fa" and "fa + h/2" in taken)
    ]


def _widths_nm(basis: Basis, torque_nm: float, case: Case) -> dict[str, tuple[str, float | None]]:
    """What each quantity comes to at a torque, in N·m; None where there is none."""
    found, top_nm = basis.quantities, basis.quantities.levels[-1].torque_nm
    widths: dict[str, tuple[str, float | None]] = {
        "s": ("scatter of one reading", basis.scatter_nm),
        "r": ("resolution of a reading", found.resolution_counts / basis.counts_per_nm),
        "b'": ("repeatability, same mounting", _up_to(found, "repeatability_percent", torque_nm)),
        "b": ("reproducibility, mountings", _up_to(found, "reproducibility_percent", torque_nm)),
        "f0": ("zero return", found.worst_zero_return_percent / 100.0 * top_nm),
        **_arm_widths_nm(basis.second, torque_nm),
    }
    beyond, own_words = basis.beyond[case], "departure from the line beyond the loads' uncertainty"
    if case is Case.RISING:
        beside_nm = _beside_nm(found, "line_percent", torque_nm)
        rising_nm = None if beside_nm is None else beyond * beside_nm
        return widths | {"fa": ("departure from the line", beside_nm), "fa − u": (own_words, rising_nm)}
    both = "departure from the line, rising or falling"
    # the guides take departure and hysteresis apart, the own profile as one limit
    guides: dict[str, tuple[str, float | None]] = {
        "fa": ("departure from the line", _up_to(found, "line_both_percent", torque_nm)),
        "h": ("falling against rising", _up_to(found, "reversibility_percent", torque_nm)),
    }
    own = {
        "fa + h/2": (both, _largest_nm(found, torque_nm, _worst_way)),
        "fa − u + h/2": (
            f"{own_words}, rising or falling",
            _largest_nm(found, torque_nm, partial(_worst_way, beyond=beyond)),
        ),
    }
    return widths | own | guides


def _arm_widths_nm(second: SecondArm | None, torque_nm: float) -> dict[str, tuple[str, float | None]]:
    """What the second arm shows, at a torque: the span as it is, and against a load that only turns."""
    if second is None or not second.levels:
        return {}
    spans = [(level.span_percent, level.torque_nm) for level in second.levels]
    sides = [(second.side_percent(level), level.torque_nm) for level in second.levels]
    return {
        "b_l": ("span between two arm lengths", _reaching_nm(spans, torque_nm)),
        "q·b_l": (
            f"pull of the weights to the side, q = {second.q or 0.0:.2f}",
            _reaching_nm(sides, torque_nm),
        ),
    }


def _reaching_nm(found: Sequence[tuple[float | None, float]], torque_nm: float) -> float | None:
    """As for the loads; above the highest of them the last percentage goes on: the pull grows with torque."""
    percent, highest_nm = found[-1]
    beyond = [(percent, torque_nm)] if torque_nm > highest_nm else []
    return _within_nm([*found, *beyond], torque_nm)


def _worst_way(level: Level, beyond: float = 1.0) -> float | None:
    """Largest departure of rising or falling readings from the line between them, in percent."""
    if level.line_both_percent is None:
        return None
    return beyond * abs(level.line_both_percent) + 0.5 * (level.reversibility_percent or 0.0)


def _up_to(found: Quantities, name: str, torque_nm: float) -> float | None:
    return _largest_nm(found, torque_nm, lambda level: getattr(level, name))


def _beside_nm(found: Quantities, name: str, torque_nm: float) -> float | None:
    """Larger value of a percentage in N·m of the loads next to a torque, below and above it."""
    beside = found.levels[-1:]
    for lower, upper in itertools.pairwise(found.levels):
        if torque_nm <= upper.torque_nm * (1.0 + 1e-9):
            at_lower = torque_nm <= lower.torque_nm * (1.0 + 1e-9)
            at_upper = torque_nm >= upper.torque_nm * (1.0 - 1e-9)
            beside = (lower,) if at_lower else (upper,) if at_upper else (lower, upper)
            break
    values = [getattr(level, name) for level in beside]
    return largest(
        None if value is None else value / 100.0 * level.torque_nm
        for value, level in zip(values, beside, strict=True)
    )


def _largest_nm(
    found: Quantities, torque_nm: float, percent: Callable[[Level], float | None]
) -> float | None:
    """Largest value of a percentage in N·m, over the loads up to the next one above the torque."""
    return _within_nm([(percent(level), level.torque_nm) for level in found.levels], torque_nm)


def _within_nm(found: Sequence[tuple[float | None, float]], torque_nm: float) -> float | None:
    """Largest of percentages at torques, lowest first, in N·m, up to the next one above the torque."""
    above = [at_nm for _, at_nm in found if at_nm >= torque_nm * (1.0 - 1e-9)]
    reach_nm = above[0] if above else found[-1][1]
    below = [(value, at_nm) for value, at_nm in found if at_nm <= reach_nm]
    return largest(None if value is None else value / 100.0 * at_nm for value, at_nm in below)


_QUANTITY_OF = {"b'": "repeatability_percent", "b": "reproducibility_percent", "fa": "line_percent",
                "m": "reproducibility_percent"}  # fmt: skip


def _left_out(basis: Basis, torque_nm: float, case: Case, profile: Profile) -> tuple[str, ...]:
    missing = {
        why
        for symbol, name in _QUANTITY_OF.items()
        if symbol in profile.rules and (why := basis.quantities.missing.get(name))
    }
    falling = () if case is Case.BOTH else ("hysteresis: this result is for torque that only rises",)
    lowest_nm = basis.quantities.levels[0].torque_nm
    below = (
        (f"below the lowest load of {lowest_nm:.1f} N·m nothing hung: only the zero vouches for it",)
        if torque_nm < lowest_nm * (1.0 - 1e-9)
        else ()
    )
    return (*below, *sorted(missing), *falling, *_side_left_out(basis.second, profile), *NOT_MEASURED)


def _side_left_out(second: SecondArm | None, profile: Profile) -> tuple[str, ...]:
    """What is not in a budget about the pull of the weights to the side, in words."""
    what = "side force of the weights (b_l)"
    if second is None:
        return (f"{what}: compare the slope with that of a series on a second arm",)
    if second.overall is None:
        return (f"{what}: no torque with the second arm was near one of the first arm's",)
    if "b_l" in profile.rules:
        return ()
    overall = second.overall
    found = (
        f"the arms differ by {overall.difference_percent:+.3f} % ± {overall.expanded_percent:.3f} % (95 %)"
    )
    if "q·b_l" not in profile.rules:
        return (f"{what}: {found}; this profile takes none in",)
    if second.q is None:
        return (f"{what}: {found}; the arms are too alike to say what a load that only turns would do",)
    if not overall.told_apart:
        return (
            f"{what} beyond what is in it: {found}, which lengths, angles, mountings and scatter account "
            "for; arms measured better would tell more",
        )
    return ()


def _sum_up(
    terms: Sequence[Term], torque_nm: float, case: Case, profile: Profile, left_out: tuple[str, ...]
) -> Budget:
    variance = math.fsum(term.contribution_nm**2 for term in terms)
    dof = effective_dof((term.contribution_nm, term.dof) for term in terms)
    shared = tuple(
        replace(term, share=term.contribution_nm**2 / variance if variance else 0.0) for term in terms
    )
    return Budget(torque_nm, case, profile.name, shared, math.sqrt(variance), dof, k_factor(dof), left_out)
