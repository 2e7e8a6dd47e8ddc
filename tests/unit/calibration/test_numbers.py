"""Budgets from load steps: terms, profiles, both results, what a short plan leaves out, smallest torque."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np
import pytest
from hungweights import COUNTS_PER_NM, Nature, arm, calibration, ladder, load_steps, masses
from hypothesis import given
from hypothesis import strategies as st

from anviltrace.calibration.budget import Budget, Case, smallest_usable_nm
from anviltrace.calibration.coverage import effective_dof
from anviltrace.calibration.line import fit_line
from anviltrace.calibration.numbers import Numbers, work_out
from anviltrace.calibration.profiles import PROFILES, find_profile
from anviltrace.errors import CalibrationError
from anviltrace.records import LoadStep

HUNG = masses()
BY_ID = {mass.id: mass for mass in HUNG}
LONG_PLAN = ((1, False), (1, False), (2, True), (3, True))
"""Mounting of each series, and whether it is read on the way down."""


def plan(
    series: Sequence[tuple[int, bool]] = LONG_PLAN,
    noise_counts: float = 20.0,
    remounting: Mapping[int, float] = {1: 0.0, 2: 0.0006, 3: -0.0004},
    hysteresis: float = 0.001,
    sign: int = 1,
) -> list[LoadStep]:
    """Load steps of several series; falling readings lag by a share of the highest load."""
    random = np.random.default_rng(5)
    nature = Nature.as_stated(HUNG, arm(), calibration())
    steps: list[LoadStep] = []
    for number, (mounting, falling) in enumerate(series, 1):
        factor = COUNTS_PER_NM * (1.0 + remounting[mounting])
        made = load_steps(ladder(HUNG), nature, lambda nm, f=factor: 700.0 + f * nm, sign)
        for step in made:
            if step.branch == "down" and not falling:
                continue
            lag = sign * factor * 321.0 * hysteresis * (step.branch == "down")
            shown = step.mean_counts + lag + random.normal(0.0, noise_counts)
            steps.append(
                replace(step, number=len(steps) + 1, series=number, mounting=mounting, mean_counts=shown)
            )
    return steps


def numbers(steps: Sequence[LoadStep], sign: int = 1) -> Numbers:
    made = calibration(sign)
    return work_out(steps, made, BY_ID, arm(), fit_line(steps, made, BY_ID, arm()))


@pytest.fixture(scope="module")
def whole() -> Numbers:
    return numbers(plan())


class TestTable:
    @pytest.mark.parametrize("case", list(Case))
    @pytest.mark.parametrize("profile", PROFILES, ids=lambda profile: profile.name)
    @pytest.mark.parametrize("torque_nm", [5.0, 100.0, 321.0])
    def test_it_adds_up(self, whole: Numbers, case: Case, profile, torque_nm: float) -> None:
        budget = whole.budget(torque_nm, case, profile)
        assert budget.profile == profile.name
        assert sum(term.share for term in budget.terms) == pytest.approx(1.0)
        assert math.hypot(*(term.contribution_nm for term in budget.terms)) == pytest.approx(budget.u_nm)
        dof = effective_dof((term.contribution_nm, term.dof) for term in budget.terms)
        assert budget.dof == dof
        assert budget.expanded_nm == budget.k * budget.u_nm
        for term in budget.terms:
            assert term.contribution_nm == pytest.approx(term.width / term.divisor * term.sensitivity)

    def test_arm_and_mass_by_hand(self, whole: Numbers) -> None:
        terms = {term.source: term for term in whole.budget(100.0, Case.BOTH).terms}
        length = terms["arm length"]
        assert (length.symbol, length.estimate, length.width, length.unit) == ("L", 0.8, 0.0003, "m")
        assert length.sensitivity == pytest.approx(100.0 / 0.8, rel=1e-3)
        assert length.contribution_nm == pytest.approx(100.0 * 0.0003 / 0.8, rel=1e-3)
        assert length.dof == math.inf
        plate = terms["mass of plate A"]
        assert (plate.estimate, plate.width, plate.distribution) == (10.0, 0.008, "normal")
        assert terms["from one mounting to the next"].dof == 2

    def test_scatter_is_that_of_replicates(self, whole: Numbers) -> None:
        """20 counts at each reading and at each zero."""
        (term,) = (term for term in whole.budget(100.0, Case.BOTH).terms if term.symbol == "s")
        test = whole.choice.curve.lack_of_fit
        assert test is not None
        assert term.dof == test.pure_dof
        assert 12.0 < term.width * COUNTS_PER_NM < 45.0

    def test_with_hysteresis_is_wider(self, whole: Numbers) -> None:
        rising, both = (whole.budget(150.0, case) for case in (Case.RISING, Case.BOTH))
        symbols = {term.symbol for term in both.terms}
        assert "fa − u + h/2" in symbols
        assert "fa − u" not in symbols
        assert "fa − u + h/2" not in {term.symbol for term in rising.terms}
        assert both.expanded_nm > rising.expanded_nm
        assert any("only rises" in why for why in rising.left_out)

    def test_profiles_take_what_their_guide_takes(self, whole: Numbers) -> None:
        def symbols(name: str) -> set[str]:
            budget = whole.budget(150.0, Case.BOTH, find_profile(name))
            return {term.symbol for term in budget.terms if term.unit == "N·m"}

        assert symbols("anviltrace-2") == {"s", "r", "f0", "fa − u + h/2"}
        assert symbols("anviltrace-1") == {"s", "r", "f0", "fa + h/2"}
        assert symbols("dkd-r-3-8:2003") == {"b'", "b", "r", "f0", "h"}
        assert symbols("dkd-infoblatt-10-02:4") == {"b'", "r", "fa"}
        with pytest.raises(CalibrationError, match="'dkd'; there are: anviltrace-2, anviltrace-1"):
            find_profile("dkd")

    def test_below_the_lowest_load_widths_do_not_shrink(self, whole: Numbers) -> None:
        def width(torque_nm: float) -> float:
            return next(
                t.width for t in whole.budget(torque_nm, Case.BOTH).terms if t.symbol == "fa − u + h/2"
            )

        assert width(1.0) == width(7.0) > 0.0
        assert any("nothing hung" in why for why in whole.budget(7.0, Case.BOTH).left_out)
        assert not any("nothing hung" in why for why in whole.budget(8.0, Case.BOTH).left_out)

    def test_beyond_the_weights(self, whole: Numbers) -> None:
        with pytest.raises(CalibrationError, match=r"400.0 N·m.*highest load of 321"):
            whole.budget(400.0, Case.BOTH)
        with pytest.raises(CalibrationError, match="above 0"):
            whole.budget(0.0, Case.BOTH)


class TestShortPlan:
    def test_one_series_up_and_down(self) -> None:
        found = numbers(plan(((1, True),)))
        budget = found.budget(100.0, Case.BOTH)
        assert found.cases == (Case.RISING, Case.BOTH)
        assert any("another mounting" in why for why in budget.left_out)
        assert any("second arm" in why for why in budget.left_out)
        assert found.indicative_class(Case.BOTH).overall is None
        assert found.indicative_class(Case.BOTH).why_none.startswith("no class without b', b")

    def test_rising_only_has_one_result(self) -> None:
        found = numbers(plan(((1, False), (2, False))))
        assert found.cases == (Case.RISING,)
        with pytest.raises(CalibrationError, match="needs a falling series"):
            found.budget(100.0, Case.BOTH)
        with pytest.raises(CalibrationError, match="needs a falling series"):
            found.slope_differs(Case.BOTH)

    def test_two_loads_only(self) -> None:
        few = [step for step in plan(((1, True),)) if len(step.mass_ids) in (0, 1, 5)]
        found = numbers([replace(step, number=place) for place, step in enumerate(few)])
        assert [level.cubic_percent for level in found.quantities.levels] == [None, None]
        assert found.budget(100.0, Case.BOTH).expanded_nm > 0.0


class TestLineBeside:
    def test_what_the_chosen_curve_would_change(self) -> None:
        def bent(step: LoadStep) -> LoadStep:
            net = step.mean_counts - 700.0
            return replace(step, mean_counts=700.0 + net * (1.0 + net * 2e-8))

        found = numbers([bent(step) for step in plan(hysteresis=0.0)])
        assert found.choice.degree == 2
        assert max(abs(change) for change, _ in found.model_changes.values()) > 0.3
        straight = numbers(plan(hysteresis=0.0, noise_counts=2.0))
        assert max(abs(change) for change, _ in straight.model_changes.values()) < 0.01

    def test_a_wrong_plate_is_not_taken_for_a_bend(self) -> None:
        """Off by twice its uncertainty: far beyond the scatter, yet the weights explain it."""
        plate = next(mass for mass in HUNG if mass.name == "plate B")
        steps = [
            replace(step, mean_counts=step.mean_counts + 2.0 * plate.u_kg * 9.81 * 0.8 * COUNTS_PER_NM)
            if plate.id in step.mass_ids
            else step
            for step in plan(hysteresis=0.0, noise_counts=5.0)
        ]
        found = numbers(steps).choice
        line = found.curves[0]
        assert line.lack_of_fit is not None
        assert not line.lack_of_fit.fits
        assert found.degree == 1
        assert line.fits
        assert numbers(steps).stands_out is None

    def test_the_line_runs_take_lies_between_the_results(self, whole: Numbers) -> None:
        assert whole.slope_differs(Case.RISING) < 0.0 < whole.slope_differs(Case.BOTH)

    def test_a_reading_that_stands_out_is_flagged_not_dropped(self) -> None:
        steps = plan()
        assert numbers(steps).stands_out is None
        steps[3] = replace(steps[3], mean_counts=steps[3].mean_counts + 600.0)
        found = numbers(steps)
        assert found.stands_out == 2
        assert len(found.read) == len(steps)


class TestSmallestUsable:
    def test_where_the_limit_is_crossed(self) -> None:
        """U = 1 N·m at any torque is 1 % at 100 N·m."""
        found = smallest_usable_nm(lambda torque_nm: 100.0 / torque_nm, 10.0, 300.0, 1.0)
        assert found == pytest.approx(100.0, rel=1e-6)
        assert smallest_usable_nm(lambda torque_nm: 100.0 / torque_nm, 10.0, 300.0, 20.0) == 10.0
        assert smallest_usable_nm(lambda torque_nm: 100.0 / torque_nm, 10.0, 300.0, 0.2) is None
        assert smallest_usable_nm(lambda torque_nm: 0.1, 400.0, 300.0, 1.0) is None  # noqa: ARG005

    def test_from_a_calibration(self, whole: Numbers) -> None:
        strict, loose = (whole.smallest_usable_nm(Case.BOTH, limit) for limit in (1.0, 50.0))
        assert strict is not None
        assert loose == pytest.approx(whole.quantities.levels[0].torque_nm)
        assert strict > loose
        assert whole.budget(strict, Case.BOTH).expanded_percent == pytest.approx(1.0, rel=1e-4)


@given(st.floats(1.0, 321.0))
def test_sign_and_polarity_change_nothing(torque_nm: float) -> None:
    """Counter-clockwise, the same magnitudes."""
    ours = _SIGNED[1].budget(torque_nm, Case.BOTH)
    theirs = _SIGNED[-1].budget(torque_nm, Case.BOTH)
    assert _SIGNED[-1].fit.line.highest_nm == pytest.approx(_SIGNED[1].fit.line.highest_nm)
    assert theirs.u_nm == pytest.approx(ours.u_nm, rel=1e-9)


_SIGNED = {sign: numbers(plan(noise_counts=0.0, sign=sign), sign) for sign in (1, -1)}


@given(st.integers(1, 6))
def test_repeating_series_never_gets_below_what_all_share(times: int) -> None:
    """Arm, gravity and weights are the same in each series, and each mounting is another draw."""
    found = _budget_of([(1, True)] * times)
    shared = math.hypot(*(term.contribution_nm for term in found.terms if term.dof == math.inf
                          and term.unit != "N·m"))  # fmt: skip
    once = _budget_of([(1, True)])
    once_shared = math.hypot(*(term.contribution_nm for term in once.terms if term.dof == math.inf
                               and term.unit != "N·m"))  # fmt: skip
    assert shared == pytest.approx(once_shared, rel=1e-6)
    assert found.u_nm > shared


def _budget_of(series: Sequence[tuple[int, bool]]) -> Budget:
    return numbers(plan(series)).budget(200.0, Case.BOTH)


def test_degrees_of_freedom_of_a_stated_length_reach_the_line_and_the_budget() -> None:
    """An arm measured five times leads the uncertainty: 4 degrees of freedom and a few more."""
    made, lever = calibration(), replace(arm(), u_m=0.004, dof=4.0)
    steps = plan([(1, True)])
    fit = fit_line(steps, made, BY_ID, lever)
    assert 4.0 < fit.line.dof < 4.5
    found = work_out(steps, made, BY_ID, lever, fit)
    budget = found.budget(found.quantities.levels[-1].torque_nm, Case.RISING)
    (length,) = (term for term in budget.terms if term.symbol == "L")
    assert length.dof == 4.0
    assert length.share > 0.9
    assert 4.0 < budget.dof < 4.9


def test_the_empty_arm_has_its_lines_in_the_budget_where_the_angle_changes() -> None:
    made = calibration()
    lever = replace(arm(angle_within_deg=1.0), own_mass_kg=9.0, own_mass_u_kg=0.1, own_centre_m=0.4,
                    own_centre_u_m=0.01)  # fmt: skip
    tilted = [replace(step, angle_deg=0.0 if step.branch == "zero" else 5.0) for step in plan([(1, True)])]
    fit = fit_line(tilted, made, BY_ID, lever)
    found = work_out(tilted, made, BY_ID, lever, fit)
    budget = found.budget(found.quantities.levels[-1].torque_nm, Case.RISING)
    terms = {term.source: term for term in budget.terms}
    assert (terms["empty arm's mass"].symbol, terms["empty arm's centre of gravity"].symbol) == ("m₀", "x₀")
    assert terms["empty arm's mass"].width == pytest.approx(0.1 * math.sqrt(3.0))
    plain = fit_line(tilted, made, BY_ID, arm(angle_within_deg=1.0))
    change_nm = 9.0 * 9.81 * (1.0 - 1.2 / 8000.0) * 0.4 * (math.cos(math.radians(5.0)) - 1.0)
    shifts = [one.reference_nm - two.reference_nm for one, two in zip(fit.steps, plain.steps, strict=True)]
    assert shifts[1] == pytest.approx(change_nm, rel=1e-3)
    assert shifts[0] == 0.0
