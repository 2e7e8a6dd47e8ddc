"""The choice of a model: what a bend needs to be seen, what remounting must not do, and no extrapolation."""

from __future__ import annotations

import math
from collections.abc import Callable
from functools import cache

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from anviltrace.calibration.indications import Indication
from anviltrace.calibration.model import Choice, choose_model
from anviltrace.errors import CalibrationError

LOADS_NM = (40.0, 80.0, 120.0, 160.0, 200.0, 240.0)
PLAN = (1, 1, 2, 3)
"""Mounting of each rising series."""


def rising(
    counts: Callable[[float], float],
    noise_counts: float = 2.0,
    plan: tuple[int, ...] = PLAN,
    remounting: tuple[float, ...] = (0.0, 0.0, 0.0),
    seed: int = 1,
    sign: float = 1.0,
) -> list[Indication]:
    """Rising series of a transducer; ``remounting`` is the relative departure of each mounting."""
    random = np.random.default_rng(seed)
    read = []
    for series, mounting in enumerate(plan, 1):
        for torque_nm in (0.0, *LOADS_NM, 0.0):
            shown = counts(sign * torque_nm) * (1.0 + remounting[mounting - 1])
            shown += random.normal(0.0, noise_counts) if torque_nm else 0.0
            branch = "up" if torque_nm else "zero"
            read.append(Indication(series, mounting, branch, f"{torque_nm}", sign * torque_nm, 500.0 + shown))
    return read


def straight(torque_nm: float) -> float:
    return 2000.0 * torque_nm


def bent(torque_nm: float) -> float:
    return 2000.0 * torque_nm * (1.0 + 4e-7 * abs(torque_nm))


def wavy(torque_nm: float) -> float:
    return 2000.0 * torque_nm + 60.0 * math.sin(torque_nm / 25.0)


class TestDegree:
    def test_a_straight_transducer_mostly_gets_a_line(self) -> None:
        """Each of two tests errs in 5 % of cases."""
        degrees = [choose_model(rising(straight, seed=seed)).degree for seed in range(100)]
        assert 85 <= degrees.count(1) <= 99

    @pytest.mark.parametrize("sign", [1.0, -1.0])
    def test_a_bend_is_seen(self, sign: float) -> None:
        chosen = choose_model(rising(bent, sign=sign))
        assert chosen.degree == 2
        assert chosen.curve.fit.coefficient(2) == pytest.approx(sign * 8e-4, rel=0.1)
        assert chosen.curves[0].lack_of_fit is not None
        assert not chosen.curves[0].lack_of_fit.fits

    def test_a_wave_is_more_than_a_cubic_follows(self) -> None:
        chosen = choose_model(rising(wavy))
        assert chosen.curve.lack_of_fit is not None
        assert not chosen.curve.lack_of_fit.fits
        assert "MORE than that" in chosen.why

    def test_without_a_repeat_nothing_is_chosen(self) -> None:
        chosen = choose_model(rising(bent, plan=(1,)))
        assert chosen.degree == 1
        assert "no rising reading was repeated" in chosen.why

    def test_too_few_loads_for_a_cubic(self) -> None:
        read = [one for one in rising(straight) if abs(one.torque_nm) <= 120.0]
        assert [curve.degree for curve in choose_model(read).curves] == [1, 2]


class TestLoads:
    def both(self, covariance: np.ndarray) -> list[tuple[float, float]]:
        curves = choose_model(rising(bent), covariance).curves
        return [(c.allowed.f, c.allowed.t) for c in curves if c.allowed is not None]

    def test_exact_loads_change_nothing_but_the_scatter_behind_t(self) -> None:
        classical = choose_model(rising(bent)).curves
        for curve, (f, t) in zip(classical, self.both(np.zeros((6, 6))), strict=True):
            assert curve.lack_of_fit is not None
            assert f == pytest.approx(curve.lack_of_fit.f, rel=1e-6)
            assert t * curve.lack_of_fit.pure_sd == pytest.approx(curve.t * curve.fit.residual_sd, rel=1e-6)

    def test_what_loads_share_in_proportion_explains_no_bend(self) -> None:
        """Arm and gravity turn the line."""
        loads = np.array(LOADS_NM)
        shared = self.both(1e-6 * np.outer(loads, loads))
        for (f, t), (f_exact, t_exact) in zip(shared[1:], self.both(np.zeros((6, 6)))[1:], strict=True):
            assert f == pytest.approx(f_exact, rel=1e-3)
            assert t == pytest.approx(t_exact, rel=1e-3)

    def test_uncertain_weights_explain_it(self) -> None:
        chosen = choose_model(rising(bent), 0.02**2 * np.eye(6))
        assert chosen.degree == 1
        assert "weights' uncertainty" in chosen.why
        assert choose_model(rising(bent), 0.0005**2 * np.eye(6)).degree == 2


class TestMountings:
    def test_remounting_is_not_noise(self) -> None:
        """A spread a hundred times the noise changes neither the bend's t nor the scatter."""
        calm = choose_model(rising(bent)).curve
        moved = choose_model(rising(bent, remounting=(-0.002, 0.003, -0.001))).curve
        assert moved.degree == 2
        assert moved.fit.residual_sd == pytest.approx(calm.fit.residual_sd, rel=0.1)
        assert moved.t == pytest.approx(calm.t, rel=0.1)
        assert moved.mounting_u_relative is not None
        assert 0.002 < moved.mounting_u_relative < 0.004
        assert moved.mounting_dof == 2

    def test_it_counts_for_a_new_mounting(self) -> None:
        curve = choose_model(rising(bent, remounting=(-0.002, 0.003, -0.001))).curve
        assert curve.standard_uncertainty_nm(200.0) > 200.0 * 0.002

    def test_one_mounting_cannot_tell(self) -> None:
        assert choose_model(rising(straight, plan=(1, 1))).curve.mounting_u_relative is None


class TestUse:
    @pytest.fixture
    def choice(self) -> Choice:
        return choose_model(rising(bent))

    def test_back_and_forth(self, choice: Choice) -> None:
        for torque_nm in (0.0, 13.0, 100.0, 240.0):
            assert choice.curve.torque_nm(choice.curve.counts(torque_nm)) == pytest.approx(torque_nm)

    def test_never_beyond_the_weights(self, choice: Choice) -> None:
        with pytest.raises(CalibrationError, match=r"weights up to 240 N·m.*hang more"):
            choice.curve.torque_nm(1.01 * choice.curve.counts(240.0))
        with pytest.raises(CalibrationError, match="not drawn further"):
            choice.curve.torque_nm(-1000.0)

    def test_more_readings_are_better_but_the_curve_stays(self, choice: Choice) -> None:
        one, many = (choice.curve.standard_uncertainty_nm(100.0, readings) for readings in (1, 10**9))
        assert many < 0.8 * one
        assert many > 0.0

    def test_a_curve_that_turns_back_is_refused(self) -> None:
        curve = choose_model(rising(lambda nm: 2000.0 * nm * (1.0 - nm / 400.0))).curves[1]
        assert not curve.monotonic
        with pytest.raises(CalibrationError, match="turns back"):
            curve.torque_nm(1000.0)

    def test_an_intercept_shows(self) -> None:
        agreeing = choose_model(rising(straight)).curve.intercept
        assert agreeing is not None
        assert agreeing.agrees
        stuck = choose_model(rising(lambda nm: straight(nm) + (50.0 if nm else 0.0)))
        found = stuck.curves[0].intercept
        assert found is not None
        assert found.counts == pytest.approx(50.0, abs=5.0)
        assert not found.agrees


@cache
def as_bent() -> tuple[list[Indication], Choice]:
    """Readings of a bent transducer and what is chosen for them."""
    read = rising(bent)
    return read, choose_model(read)


@given(st.floats(0.01, 100.0), st.floats(-1000.0, 1000.0).filter(lambda factor: abs(factor) > 0.01))
def test_units_do_not_matter(per_nm: float, per_count: float) -> None:
    """Torque in another unit, readings in another unit: the same tests, the same degree."""
    read, chosen = as_bent()
    scaled = [Indication(one.series, one.mounting, one.branch, one.load, one.torque_nm * per_nm,
                         one.counts * per_count) for one in read]  # fmt: skip
    for ours, theirs in zip(chosen.curves, choose_model(scaled).curves, strict=True):
        assert ours.lack_of_fit is not None
        assert theirs.lack_of_fit is not None
        assert theirs.lack_of_fit.f == pytest.approx(ours.lack_of_fit.f, rel=1e-4)
        assert theirs.t == pytest.approx(ours.t * math.copysign(1.0, per_count), rel=1e-4)


@given(st.permutations(range(len(PLAN))))
def test_the_order_of_the_series_does_not_matter(order: list[int]) -> None:
    (read, chosen), size = as_bent(), len(LOADS_NM) + 2
    shuffled = [one for place in order for one in read[place * size : (place + 1) * size]]
    assert choose_model(shuffled).curve.fit.coefficients == pytest.approx(
        chosen.curve.fit.coefficients, rel=1e-9
    )
