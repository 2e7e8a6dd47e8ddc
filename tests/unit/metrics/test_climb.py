"""How a held rig's level climbs: values, times, what is refused, and that nothing is made up."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from blow_train import Train
from struck_facts import facts_of, struck_facts

from anviltrace.metrics.evaluate import evaluate
from anviltrace.metrics.facts import RunFacts
from anviltrace.metrics.results import RunResult, Value

RATE_HZ, PER_S, REST_S = 10_000.0, 40.0, 0.3
WIDTH_S = 1.2e-3
PEAK_NM = 300.0


def climbing(levels: np.ndarray, after_s: float = 0.4, rotation: int = 1) -> RunFacts:
    """A run whose joint keeps ``levels`` after its blows, half sines that rise to 300 N·m."""
    starts = REST_S + np.arange(levels.size) / PER_S
    times = np.arange(0.0, starts[-1] + after_s, 1.0 / RATE_HZ)
    before = np.concatenate(([0.0], levels[:-1]))
    torque = np.zeros(times.size)
    for start, low, high in zip(starts, before, levels, strict=True):
        torque[times >= start + 0.5 * WIDTH_S] = high
        inside = (times > start) & (times < start + WIDTH_S)
        sine = PEAK_NM * np.sin(np.pi * (times[inside] - start) / WIDTH_S)
        apex = times[inside] < start + 0.5 * WIDTH_S
        torque[inside] = np.maximum(sine, np.where(apex, low, high))
    return facts_of(rotation * torque, RATE_HZ, drive_s=20.0, marks_s=())


def exponential(blows: int, tau_s: float, end_nm: float = 200.0) -> np.ndarray:
    return end_nm * (1.0 - np.exp(-(np.arange(blows) + 1.0) / PER_S / tau_s))


def found(result: RunResult, name: str, mark: float | None = None) -> Value:
    value = result.value(name, mark)
    assert value is not None
    return value


def stated(result: RunResult, name: str, mark: float | None = None) -> float:
    value = found(result, name, mark)
    assert value.value is not None, value.withheld
    return value.value


@pytest.fixture(scope="module")
def result() -> RunResult:
    """120 blows in 3 s that climb to 200 N·m with a time constant of 0.6 s."""
    return evaluate(replace(climbing(exponential(120, 0.6)), thresholds_nm=(50.0, 150.0, 230.0)))


def test_an_exponential_climb_is_found_with_its_uncertainty(result: RunResult) -> None:
    for name, true in (("climb_end", 200.0), ("climb_tau", 0.6)):
        value = found(result, name)
        assert value.value == pytest.approx(true, rel=5e-3)
        assert value.expanded is not None
        assert abs(value.value - true) < 1.5 * value.expanded < 0.05 * true
    assert stated(result, "climb_rms") < 0.2
    assert "speak for the exponential" in " ".join(found(result, "climb_end").flags)
    assert stated(result, "climb_aic") < -100.0
    # the calibration is common to all runs in a torque, and cancels in a time constant
    assert found(result, "climb_end").common > 0.0
    assert found(result, "climb_tau").common == 0.0


def test_times_to_thresholds_are_interpolated_and_never_made_up(result: RunResult) -> None:
    for target in (50.0, 150.0):
        true_s = -0.6 * np.log(1.0 - target / 200.0)
        value = found(result, "time_to", target)
        assert value.expanded is not None
        assert abs(stated(result, "time_to", target) - true_s) < value.expanded < 0.05
    missed = found(result, "time_to", 230.0)
    assert missed.value is None
    assert missed.beyond == pytest.approx(3.0, abs=0.05)
    assert missed.withheld.startswith("230 N·m not reached within")


def test_a_threshold_within_the_uncertainty_of_the_highest_level_is_doubtful() -> None:
    facts = climbing(exponential(120, 0.6))
    final = found(evaluate(facts), "retained_final")
    assert final.value is not None
    assert final.expanded is not None
    target = final.value + 0.5 * final.expanded
    doubtful = found(evaluate(replace(facts, thresholds_nm=(target,))), "time_to", target)
    assert doubtful.beyond is not None
    assert "not sure" in " ".join(doubtful.flags)


def test_what_was_kept_before_the_first_blow_is_reached_at_once() -> None:
    levels = 80.0 + exponential(60, 0.3, 60.0)
    facts = climbing(np.concatenate(([80.0], levels)))
    counts = facts.pieces[0][1].copy()
    preset = replace(facts, pieces=((0, counts[round(0.31 * RATE_HZ) :]),), thresholds_nm=(40.0,))
    assert stated(evaluate(preset), "time_to", 40.0) == 0.0


def test_an_exponential_is_refused_below_one_and_a_half_time_constants() -> None:
    short = evaluate(climbing(exponential(40, 1.0)))
    for name in ("climb_end", "climb_tau", "climb_rms"):
        assert "refused below 1.5" in found(short, name).withheld
    assert stated(short, "climb_gain") > 0.0
    enough = evaluate(climbing(exponential(70, 1.0)))
    assert stated(enough, "climb_end") == pytest.approx(200.0, rel=0.02)


def test_a_square_root_climb_speaks_for_the_square_root() -> None:
    levels = np.sqrt(400.0 * (np.arange(80) + 1.0))
    result = evaluate(climbing(levels))
    assert stated(result, "climb_gain") == pytest.approx(400.0, rel=0.01)
    assert stated(result, "climb_aic") > 10.0
    assert "speak for the square root" in " ".join(found(result, "climb_gain").flags)


def test_a_plateau_is_told_from_a_climb(result: RunResult) -> None:
    creeping = evaluate(climbing(exponential(160, 0.3)))
    assert "moves little, but surely" in " ".join(found(creeping, "plateau_slope").flags)
    assert "no plateau" in " ".join(found(evaluate(climbing(exponential(60, 0.6))), "plateau_slope").flags)
    flat = evaluate(climbing(exponential(160, 0.12)))
    assert abs(stated(flat, "plateau_percent")) < 0.2
    assert "a plateau is reached" in " ".join(found(flat, "plateau_slope").flags)
    mean_slope = stated(result, "plateau_slope")
    assert mean_slope == pytest.approx(
        (exponential(120, 0.6)[-1] - exponential(120, 0.6)[80]) / 0.975, rel=0.25
    )


def test_a_straight_climb_is_straight_and_a_bent_one_is_not(result: RunResult) -> None:
    straight = evaluate(climbing(np.linspace(3.0, 200.0, 60)))
    assert stated(straight, "climb_linearity") < 0.5
    assert stated(straight, "climb_r_squared") > 0.9999
    assert stated(result, "climb_linearity") > 8.0
    assert stated(result, "climb_r_squared") < 0.98


def test_relaxation_needs_ten_seconds_and_finds_what_was_lost() -> None:
    levels = exponential(30, 0.2)
    assert "plan after_s = 11" in found(evaluate(climbing(levels)), "relaxation").withheld
    facts = climbing(levels, after_s=10.2)
    counts = facts.pieces[0][1].astype(np.float64)
    last = (REST_S + 29 / PER_S + 0.5 * WIDTH_S) * RATE_HZ
    since_s = np.maximum(np.arange(counts.size) - last, 0.0) / RATE_HZ
    crept = counts - 2204.0 * 4.0 * np.log1p(since_s / 0.1) / np.log(100.0)
    value = found(evaluate(replace(facts, pieces=((0, np.rint(crept).astype(np.int32)),))), "relaxation")
    lost = 4.0 * (np.log1p(100.0) - np.log1p(1.0)) / np.log(100.0)
    assert value.value == pytest.approx(lost, abs=0.05)


def test_a_joint_that_keeps_nothing_has_no_climb() -> None:
    """Its level is noise: percentages of it would be any number."""
    nothing = evaluate(climbing(np.zeros(40)))
    for name in (
        "climb_end",
        "climb_gain",
        "climb_aic",
        "climb_linearity",
        "plateau_slope",
        "plateau_percent",
    ):
        assert found(nothing, name).withheld == "the joint keeps nothing at the end"


def test_too_few_blows_make_no_climb_and_loosening_has_none() -> None:
    few = evaluate(climbing(exponential(4, 0.2)))
    assert found(few, "climb_end").withheld == "8 levels between blows are needed, and 4 could be read"
    assert found(few, "plateau_slope").withheld == "5 levels between blows are needed, and 4 could be read"
    loosening = evaluate(struck_facts(Train(kind="loosening", samples=15.0)))
    assert loosening.value("climb_end") is None
    assert loosening.value("relaxation") is None
