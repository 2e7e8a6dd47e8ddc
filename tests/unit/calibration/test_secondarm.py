"""A second arm shows what the pull to the side does, as far as the arms' lengths are known."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest
from hungweights import COUNTS_PER_NM, ZERO_COUNTS, Nature, arm, calibration, ladder, load_steps, masses
from workshop import fixed_id

from anviltrace.calibration.budget import Case
from anviltrace.calibration.line import fit_line
from anviltrace.calibration.numbers import Numbers, work_out
from anviltrace.calibration.profiles import OWN, PROFILES, find_profile
from anviltrace.calibration.secondarm import Noise, SecondArm, Side, compare_arms
from anviltrace.records import Arm, LoadStep

HUNG = masses(0.0)
BY_ID = {mass.id: mass for mass in HUNG}
NOISE = Noise(0.5, 10.0, 3, 1e-5, 2.0)
SHORT = replace(arm(), id=fixed_id(31), name="short arm", length_m=0.5)
SIGNS = (1, -1)


def steps(lever: Arm, side_share_m: float, sign: int = 1, mounting: int = 1) -> list[LoadStep]:
    """Readings of a transducer whose slope is (1 + c/L) of the true one; ``side_share_m`` is c."""
    made = calibration(sign)
    nature = Nature.as_stated(HUNG, lever, made)
    slope = COUNTS_PER_NM * (1.0 + side_share_m / lever.length_m)
    read = load_steps(ladder(HUNG), nature, lambda torque_nm: ZERO_COUNTS + slope * torque_nm, sign)
    return [replace(step, mounting=mounting, series=mounting) for step in read]


def compare(side_share_m: float, u_m: float = 0.0, sign: int = 1, short: Arm = SHORT) -> SecondArm:
    first, second = replace(arm(), u_m=u_m), replace(short, u_m=u_m)
    made = calibration(sign)
    side = Side(replace(made, id=fixed_id(41)), tuple(steps(second, side_share_m, sign)), BY_ID, second)
    return compare_arms(steps(first, side_share_m, sign), made, BY_ID, first, side, NOISE)


@pytest.mark.parametrize("sign", SIGNS)
def test_the_span_and_what_a_load_that_only_turns_would_read(sign: int) -> None:
    """S(L) = S₀·(1 + c/L) with c = 0.4 mm: 0.05 % at 0.8 m and 0.08 % at 0.5 m."""
    found = compare(0.0004, sign=sign)
    assert found.q == pytest.approx(0.5 / 0.3)
    for level in found.levels:
        assert level.span_percent == pytest.approx(0.03, abs=2e-5)
        assert found.side_percent(level) == pytest.approx(0.05, abs=2e-4)
        assert level.told_apart
    assert found.overall is not None
    assert found.overall.difference_percent == pytest.approx(0.03, abs=2e-5)


def test_lengths_do_not_share_their_errors() -> None:
    """u 0.3 mm of 0.8 m and of 0.5 m."""
    found = compare(0.0, u_m=0.0003)
    wanted = 100.0 * math.hypot(0.0003 / 0.8, 0.0003 / 0.5)
    top = found.levels[-1]
    assert top.u_percent == pytest.approx(wanted, rel=0.01)
    assert not top.told_apart
    assert top.expanded_percent == pytest.approx(1.96 * wanted, rel=0.02)


def test_of_the_weights_only_the_mean_of_other_ones_shows() -> None:
    """At 201 N·m 41 kg hang on the short arm, 26 kg on the long one: 4 plates against 2 and 0.46 of 2 more.

    Plates known to 0.08 % each: S₁ is interpolated between 21 kg and 31 kg, and S₂ takes all four.
    """
    known = {mass.id: replace(mass, u_kg=0.0008 * mass.mass_kg) for mass in HUNG}
    first, second, made = replace(arm(), u_m=0.0), replace(SHORT, u_m=0.0), calibration()
    side = Side(made, tuple(steps(second, 0.0)), known, second)
    quiet = Noise(0.0, 10.0, 3, 0.0, 2.0)
    top = compare_arms(steps(first, 0.0), made, known, first, side, quiet).levels[-1]
    share = (top.torque_nm / (0.8 * 9.81 * (1.0 - 1.2 / 7850.0)) - 21.0) / 10.0
    per_kg = [[1 - share, 1 - share, 1 - share, 0.0, 0.0], [share, share, share, share, 0.0], [1.0] * 5]
    kilograms = [mass.mass_kg for mass in HUNG]
    apart = [
        (low / 21.0 + high / 31.0 - all_ / 41.0) * kg
        for low, high, all_, kg in zip(*per_kg, kilograms, strict=True)
    ]
    assert top.u_percent == pytest.approx(0.08 * math.hypot(*apart), rel=0.01)


def test_torques_are_only_nearly_equal_so_the_first_arms_are_interpolated() -> None:
    """A curved transducer: between its loads the first arm's slope is taken from both neighbours."""
    made, first = calibration(), arm()
    bent = lambda torque_nm: ZERO_COUNTS + 2000.0 * torque_nm + 0.02 * torque_nm**2  # noqa: E731
    read = [
        tuple(load_steps(ladder(HUNG), Nature.as_stated(HUNG, lever, made), bent)) for lever in (first, SHORT)
    ]
    found = compare_arms(read[0], made, BY_ID, first, Side(made, read[1], BY_ID, SHORT), NOISE)
    assert len(found.levels) == 4
    assert max(level.span_percent for level in found.levels) < 1e-6
    assert len(found.left_out) == 1
    assert found.left_out[0].startswith("4.9 N·m with the second arm: the first arm has no load near it")


def test_a_new_mounting_counts_once_for_all_loads() -> None:
    still, moved = Noise(0.0, 10.0, 3, 0.0, 2.0), Noise(0.0, 10.0, 3, 0.001, 2.0)
    made, first, second = calibration(), replace(arm(), u_m=0.0), replace(SHORT, u_m=0.0)
    side = Side(made, tuple(steps(second, 0.0)), BY_ID, second)
    read = steps(first, 0.0)
    without = compare_arms(read, made, BY_ID, first, side, still).overall
    found = compare_arms(read, made, BY_ID, first, side, moved).overall
    assert without is not None
    assert found is not None
    assert without.u_percent < 1e-4
    assert found.u_percent == pytest.approx(0.1 * math.sqrt(4.0 / 3.0), rel=1e-4)
    assert found.expanded_percent / found.u_percent == pytest.approx(4.303, abs=0.01)


def test_arms_too_alike_say_nothing_of_a_load_that_only_turns() -> None:
    found = compare(0.0004, short=replace(SHORT, length_m=0.79))
    assert found.q is None
    assert found.side_percent(found.levels[0]) is None


def numbers(side_share_m: float, second: bool = True, u_m: float = 0.0) -> Numbers:
    first, short, made = replace(arm(), u_m=u_m), replace(SHORT, u_m=u_m), calibration()
    read = steps(first, side_share_m)
    side = Side(replace(made, id=fixed_id(41)), tuple(steps(short, side_share_m)), BY_ID, short)
    fit = fit_line(read, made, BY_ID, first)
    return work_out(read, made, BY_ID, first, fit, side if second else None)


def test_budgets_take_it_as_their_profile_has_it() -> None:
    found = numbers(0.0004)
    top_nm = found.quantities.levels[-1].torque_nm
    symbols = {}
    for profile in PROFILES:
        budget = found.budget(top_nm, Case.RISING, profile)
        symbols[profile.name] = {term.symbol: term for term in budget.terms}
        assert any("b_l" in why for why in budget.left_out) == ("infoblatt" in profile.name)
    own = symbols[OWN.name]["q·b_l"]
    assert (own.distribution, own.divisor) == ("U-shaped", pytest.approx(math.sqrt(2.0)))
    assert own.width == pytest.approx(0.0005 * top_nm, rel=0.01)  # beyond 201 N·m the percentage goes on
    guide = symbols["dkd-r-3-8:2003"]["b_l"]
    assert (guide.distribution, guide.divisor) == ("U-shaped, full width", pytest.approx(math.sqrt(8.0)))
    assert guide.width == pytest.approx(0.0003 * top_nm, rel=0.01)
    assert not {"b_l", "q·b_l"} & symbols["dkd-infoblatt-10-02:4"].keys()


def test_what_the_lengths_account_for_is_not_counted_twice() -> None:
    found = numbers(0.0, u_m=0.0005)
    budget = found.budget(100.0, Case.RISING)
    assert next(term for term in budget.terms if term.symbol == "q·b_l").width < 1e-3
    assert any("which lengths, angles, mountings and scatter account for" in why for why in budget.left_out)


def test_without_a_second_arm_it_stays_unknown() -> None:
    budget = numbers(0.0004, second=False).budget(100.0, Case.RISING, find_profile("dkd-r-3-8:2003"))
    assert "side force of the weights (b_l): compare the slope with that of a series on a second arm" in (
        budget.left_out
    )
