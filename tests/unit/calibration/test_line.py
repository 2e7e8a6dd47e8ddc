"""The line and its uncertainty: shared errors stay, both signs, above the hung weights, what is refused."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest
from hungweights import (
    COUNTS_PER_NM,
    ZERO_COUNTS,
    Nature,
    arm,
    calibration,
    fit,
    ladder,
    load_steps,
    masses,
    straight,
)

from anviltrace.calibration.coverage import shown_degrees
from anviltrace.calibration.line import STATIC_ONLY, fit_line
from anviltrace.errors import CalibrationError

HUNG = masses()
BY_ID = {mass.id: mass for mass in HUNG}


def wavy(torque_nm: float) -> float:
    """Readings that scatter by up to 0.1 N·m, the same each time."""
    return straight(torque_nm + 0.1 * math.sin(7.0 * torque_nm))


class TestPerfectTransducer:
    def test_the_line_is_found(self) -> None:
        found = fit()
        assert found.line.counts_per_nm == pytest.approx(COUNTS_PER_NM, rel=1e-12)
        assert found.line.torque_nm(COUNTS_PER_NM * 123.0) == pytest.approx(123.0)
        assert found.line.residual_nm == pytest.approx(0.0, abs=1e-9)
        assert found.intercept_counts == pytest.approx(0.0, abs=1e-6)

    def test_only_shared_errors_are_left(self) -> None:
        """Arm and gravity by hand; each weight enters by how much of the squared loads hangs on it."""
        line = fit().line
        torques = [row.reference_nm for row in fit().steps if row.branch != "zero"]
        squares = sum(torque**2 for torque in torques)
        of_masses = 0.0
        for mass in HUNG:
            moment = mass.u_kg * 9.81 * 0.8
            carried = sum(r.reference_nm for r in fit().steps if mass.name in r.masses)
            of_masses += (moment * carried / squares) ** 2
        expected = math.sqrt((0.0003 / 0.8) ** 2 + 50e-6**2 + of_masses)
        assert line.u_relative == pytest.approx(expected, rel=1e-3)

    @pytest.mark.parametrize("counts_per_nm", [2000.0, -2000.0])
    @pytest.mark.parametrize("sign", [1, -1])
    def test_polarity_and_sign(self, counts_per_nm: float, sign: int) -> None:
        line = fit(lambda torque_nm: 500.0 + counts_per_nm * torque_nm, sign).line
        assert line.sign == sign
        assert line.counts_per_nm == pytest.approx(counts_per_nm)
        assert line.highest_nm == pytest.approx(41.0 * 9.81 * 0.8, rel=1e-3)
        assert line.lowest_nm == pytest.approx(1.0 * 9.81 * 0.8, rel=1e-3)
        assert line.torque_nm(-50.0 * counts_per_nm) == pytest.approx(-50.0)
        assert line.expanded_nm(-200.0) == line.expanded_nm(200.0)


class TestUncertainty:
    def test_repeating_does_not_make_shared_errors_smaller(self) -> None:
        once = fit(wavy)
        steps = load_steps(ladder(HUNG), Nature.as_stated(HUNG, arm(), calibration()), wavy)
        many = [
            replace(step, series=series, number=step.number + 20 * series, id=f"{step.id}-{series}")
            for series in range(1, 9)
            for step in steps
        ]
        repeated = fit_line(many, calibration(), BY_ID, arm())
        shared = fit().line.u_relative
        assert repeated.line.u_relative < once.line.u_relative
        assert repeated.line.u_relative > 0.9999 * shared

    def test_shares_add_up_and_name_their_source(self) -> None:
        found = fit(wavy)
        parts = {part.source: part for part in found.contributions}
        assert sum(part.share for part in found.contributions) == pytest.approx(1.0)
        total = math.sqrt(sum(part.u_relative**2 for part in found.contributions))
        line = found.line
        assert total * line.highest_nm == pytest.approx(line.standard_uncertainty_nm(line.highest_nm))
        assert parts["arm length"].u_relative == pytest.approx(0.0003 / 0.8, rel=1e-3)
        assert {"gravity", "mass of plate A", "scatter of the readings"} <= set(parts)

    def test_departure_from_the_line_stays_at_small_torque(self) -> None:
        line = fit(wavy).line
        assert 0.05 < line.departure_nm < line.residual_nm < 0.3
        assert line.standard_uncertainty_nm(0.0) == pytest.approx(line.departure_nm / math.sqrt(2.0))

    def test_degrees_of_freedom_by_welch_and_satterthwaite(self) -> None:
        line = replace(fit(wavy).line, u_relative=0.01, departure_nm=0.0, dof=4.0)
        assert line.degrees_of_freedom(100.0) == pytest.approx(4.0)
        assert line.expanded_nm(100.0) == pytest.approx(2.776, abs=5e-4)
        both = replace(line, departure_nm=math.sqrt(2.0))
        assert both.degrees_of_freedom(100.0) == pytest.approx(4.0 * math.sqrt(2.0) ** 4)

    def test_a_part_of_a_degree_of_freedom_is_truncated(self) -> None:
        """JCGM 100:2008, G.4.1: to the next lower whole number."""
        line = replace(fit(wavy).line, u_relative=0.01, departure_nm=0.0)
        for dof in (4.0, 4.01, 4.99, 5.0 - 1e-6):
            assert replace(line, dof=dof).expanded_nm(100.0) == pytest.approx(2.776, abs=5e-4)
        assert replace(line, dof=5.0 * (1.0 - 1e-12)).expanded_nm(100.0) == pytest.approx(2.571, abs=5e-4)

    @pytest.mark.parametrize(("degrees", "text"), [
        (2.0, "2"), (3.97, "3.9"), (4.0 - 1e-12, "4"), (30.6, "30"), (2e6, "∞"), (math.inf, "∞"),
    ])  # fmt: skip
    def test_degrees_are_shown_cut_off_like_those_that_the_factor_takes(
        self, degrees: float, text: str
    ) -> None:
        assert shown_degrees(degrees) == text

    def test_zero_and_scatter_of_the_zeros_count(self) -> None:
        """A zero that returns elsewhere is a departure from the line."""
        steps = load_steps(ladder(HUNG), Nature.as_stated(HUNG, arm(), calibration()))
        steps[-1] = replace(steps[-1], mean_counts=ZERO_COUNTS + 0.4 * COUNTS_PER_NM)
        found = fit_line(steps, calibration(), BY_ID, arm())
        assert found.zero_return_nm == pytest.approx(0.4, rel=1e-2)
        assert found.line.departure_nm >= 0.2

    def test_hysteresis(self) -> None:
        steps = load_steps(ladder(HUNG), Nature.as_stated(HUNG, arm(), calibration()))
        steps[6] = replace(steps[6], mean_counts=steps[6].mean_counts + 0.5 * COUNTS_PER_NM)
        found = fit_line(steps, calibration(), BY_ID, arm())
        assert found.hysteresis_nm == pytest.approx(0.5, rel=1e-2)

    def test_an_intercept_shows(self) -> None:
        def stuck(torque_nm: float) -> float:
            return straight(torque_nm - 0.5 if torque_nm else 0.0)

        assert fit(wavy).intercept_agrees
        found = fit(stuck)
        assert found.intercept_counts < -0.25 * COUNTS_PER_NM
        assert not found.intercept_agrees


class TestAboveTheWeights:
    def test_twice_the_highest_load_and_not_more(self) -> None:
        line = fit(wavy).line
        assert line.limit_nm == pytest.approx(2.0 * line.highest_nm)
        assert line.why_withheld(-line.limit_nm) == ""
        assert "hang more" in line.why_withheld(1.01 * line.limit_nm)

    def test_a_rated_linearity_reaches_further(self) -> None:
        assert fit(wavy, linear_to_nm=1500.0).line.limit_nm == 1500.0
        assert fit(wavy, linear_to_nm=100.0).line.limit_nm == pytest.approx(2.0 * fit(wavy).line.highest_nm)

    @pytest.mark.parametrize("bend", [2e-6, -2e-6, 1e-5])
    def test_the_uncertainty_holds_what_a_bent_transducer_does(self, bend: float) -> None:
        def bent(torque_nm: float) -> float:
            return straight(torque_nm * (1.0 + bend * torque_nm))

        line = fit(bent).line
        for torque_nm in (1.1 * line.highest_nm, 1.5 * line.highest_nm, 2.0 * line.highest_nm):
            error_nm = line.torque_nm(bent(torque_nm) - ZERO_COUNTS) - torque_nm
            assert abs(error_nm) < line.expanded_nm(torque_nm)

    def test_the_bend_costs_nothing_among_the_weights(self) -> None:
        line = fit(wavy).line
        without = replace(line, bend_per_nm=0.0)
        assert line.expanded_nm(line.highest_nm) == without.expanded_nm(line.highest_nm)
        assert line.expanded_nm(1.5 * line.highest_nm) > without.expanded_nm(1.5 * line.highest_nm)


class TestRefused:
    def test_one_load_only(self) -> None:
        with pytest.raises(CalibrationError, match="two different loads at least"):
            fit(loads=[HUNG])

    def test_other_weights_of_the_same_torque(self) -> None:
        with pytest.raises(CalibrationError, match=r"all loads make 78\.5 N·m, to 0\.1 %: a line needs two"):
            fit(loads=[[HUNG[1]], [HUNG[2]]])

    def test_two_loads_are_enough_but_reach_no_further(self) -> None:
        line = fit(wavy, loads=[HUNG[:2], HUNG]).line
        assert line.limit_nm == line.highest_nm
        assert fit(wavy, loads=[HUNG[:2], HUNG], linear_to_nm=800.0).line.limit_nm == 800.0

    def test_without_the_closing_zero(self) -> None:
        steps = load_steps(ladder(HUNG), Nature.as_stated(HUNG, arm(), calibration()))
        with pytest.raises(CalibrationError, match="does not begin and end with a zero"):
            fit_line(steps[:-1], calibration(), BY_ID, arm())
        with pytest.raises(CalibrationError, match="two different loads"):
            fit_line([], calibration(), BY_ID, arm())

    def test_a_dead_bridge(self) -> None:
        with pytest.raises(CalibrationError, match=r"does not follow the load.*wiring"):
            fit(lambda torque_nm: 5000.0 * math.sin(3.0 * torque_nm))

    def test_what_it_cannot_tell(self) -> None:
        sentences = fit().cannot_tell
        assert STATIC_ONLY in sentences
        assert any("mounting" in sentence for sentence in sentences)
