"""What is stated, what is flagged and what is withheld, on simulated runs."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from blow_train import Train
from simulated import COUNTS_PER_NM, RATE_HZ, Truth, bench, stated, struck
from struck_facts import struck_facts

from anviltrace.errors import AnalysisError
from anviltrace.metrics.catalogue import CATALOGUE, HELD_RIGS, label, metric
from anviltrace.metrics.evaluate import evaluate
from anviltrace.metrics.facts import RunFacts, zero_reading
from anviltrace.metrics.results import RunResult, Value
from anviltrace.metrics.sidecatalogue import BESIDE
from anviltrace.records import Duty, Notice, RigKind, Rotation, RunState, Spread, Start, Thread

KNOWN = stated(Spread.NORMAL, mass_u=2e-4, length_u=3e-4)


@pytest.fixture(scope="module")
def facts() -> RunFacts:
    """A tightening run on a held rig with a fast converter, calibrated."""
    return bench(KNOWN, struck(3), np.random.default_rng(5))


@pytest.fixture(scope="module")
def truth() -> Truth:
    return struck(3)[1]


def stated_value(result: RunResult, name: str, at_s: float | None = None) -> float:
    value = result.value(name, at_s)
    assert value is not None
    assert value.value is not None, value.withheld
    return value.value


def reason(result: RunResult, name: str, at_s: float | None = None) -> str:
    value = result.value(name, at_s)
    assert value is not None
    assert value.value is None
    assert value.expanded is None
    assert value.withheld
    return value.withheld


def flags(result: RunResult, name: str) -> str:
    value = result.value(name)
    assert value is not None
    return " | ".join(value.flags)


def with_context(facts: RunFacts, **changes: object) -> RunFacts:
    return replace(facts, context=replace(facts.context, **changes))  # type: ignore[arg-type]


def with_plan(facts: RunFacts, **changes: object) -> RunFacts:
    assert facts.context.plan is not None
    return with_context(facts, plan=replace(facts.context.plan, **changes))


def with_rig(facts: RunFacts, kind: RigKind) -> RunFacts:
    return with_context(facts, rig=replace(facts.context.rig, kind=kind))


def with_counts(facts: RunFacts, counts: np.ndarray) -> RunFacts:
    return replace(facts, pieces=((0, counts.astype(np.int32)),))


def counts_of(facts: RunFacts) -> np.ndarray:
    return facts.pieces[0][1].copy()


def test_a_whole_run_gets_every_metric_of_its_rig(facts: RunFacts, truth: Truth) -> None:
    result = evaluate(facts)
    assert stated_value(result, "blow_count") == truth.blows
    for name, true in (
        ("retained_final", truth.retained_final),
        ("mean_torque", truth.mean_torque),
        ("impulse_mean", truth.impulse_mean),
    ):
        value = result.value(name)
        assert isinstance(value, Value)
        assert value.expanded is not None
        assert abs(stated_value(result, name) - true) < 1.5 * value.expanded
        assert 0.0 < value.common < value.expanded
    expected = {entry.name for entry in CATALOGUE.values() if RigKind.HELD in entry.rigs}
    elsewhere = ("READINGS", "SUPPLY", "HANDLE")  # stated without a calibration, or from side channels
    expected -= {entry.name for entry in CATALOGUE.values() if entry.group.name in elsewhere}
    expected -= {"time_to"}  # no threshold was asked for
    expected -= {entry.name for entry in BESIDE}  # nothing was recorded beside the torque
    assert {value.name for value in result.values} == expected
    assert (result.time_zero, result.uncalibrated) == ("first blow", "")
    assert result.blows is not None
    assert len(result.blows) == truth.blows
    assert result.blows.start_s[0] == 0.0


def test_the_same_facts_give_the_same_numbers(facts: RunFacts) -> None:
    assert evaluate(facts).values == evaluate(facts).values


def test_peaks_carry_one_sided_bounds_and_the_missing_resonance(facts: RunFacts) -> None:
    peak = evaluate(facts).value("peak_max")
    assert peak is not None
    assert peak.value is not None
    assert 0.002 * peak.value < peak.under_read < 0.05 * peak.value
    assert 0.0 < peak.over_read < 0.01 * peak.value
    assert any("natural frequency is not on record" in flag for flag in peak.flags)


def test_marks_lie_on_the_climb_and_are_not_extrapolated(facts: RunFacts, truth: Truth) -> None:
    result = evaluate(with_plan(facts, marks_s=(0.05, 0.15, 60.0)))
    early, late = (stated_value(result, "retained_at", at_s) for at_s in (0.05, 0.15))
    assert early < late < truth.retained_final
    assert "mark is at 60 s" in reason(result, "retained_at", 60.0)


def test_without_a_calibration_readings_are_given_instead(facts: RunFacts, truth: Truth) -> None:
    why = "no calibration for clockwise torque on this rig"
    result = evaluate(replace(facts, lines={1: why, -1: "none"}))
    assert "no calibration for clockwise" in reason(result, "retained_final")
    assert "no calibration for clockwise" in reason(result, "peak_max")
    assert result.uncalibrated == why
    assert stated_value(result, "blow_count") == truth.blows
    assert stated_value(result, "rest_counts") == pytest.approx(
        COUNTS_PER_NM * truth.retained_final, rel=1e-3
    )
    per_count = facts.context.settings.mv_per_v_per_count
    assert per_count is not None
    assert stated_value(result, "rest_mv_per_v") == pytest.approx(
        per_count * stated_value(result, "rest_counts")
    )
    assert result.blows is None
    assert result.calibration_ids == ()


def test_what_the_calibration_cancels_from_needs_none() -> None:
    facts = struck_facts(Train(kind="tightening", samples=15.0, blows=60))
    bare = evaluate(replace(facts, lines={1: "none", -1: "none"}))
    calibrated = evaluate(facts)
    for name in ("plateau_percent", "climb_tau", "climb_linearity", "shape_number", "width_median"):
        assert stated_value(bare, name) == pytest.approx(stated_value(calibrated, name), rel=1e-4)


def test_only_the_missing_sign_is_withheld(facts: RunFacts) -> None:
    # loosening: the level is clockwise torque, the blows go counter-clockwise
    one_sided = replace(facts, lines={1: facts.lines[1], -1: "no calibration for counter-clockwise torque"})
    loosening = with_plan(one_sided, rotation=Rotation.CCW, duty=Duty.LOOSENING, start=Start.PRESET)
    zero = facts.zero_before
    assert zero is not None
    result = evaluate(with_counts(loosening, _loosening(counts_of(facts), zero.mean_counts)))
    assert "counter-clockwise" in reason(result, "impulse_mean")
    assert result.value("retained_final") is not None
    assert stated_value(result, "retained_final") == pytest.approx(40.0, abs=0.5)


def _loosening(counts: np.ndarray, zero_counts: float) -> np.ndarray:
    """A level of 40 N·m with the blows of the run downwards."""
    net = counts - zero_counts
    blows = np.where(net > COUNTS_PER_NM * 250.0, net, 0.0)
    return np.asarray(zero_counts + 40.0 * COUNTS_PER_NM - blows)


def test_loosening_on_a_held_rig_has_no_mean_torque(facts: RunFacts) -> None:
    loosening = with_plan(facts, rotation=Rotation.CCW, duty=Duty.LOOSENING, start=Start.PRESET)
    zero = facts.zero_before
    assert zero is not None
    result = evaluate(with_counts(loosening, _loosening(counts_of(facts), zero.mean_counts)))
    assert "what the joint still keeps" in reason(result, "mean_torque")
    assert stated_value(result, "impulse_mean") > 0.0
    assert stated_value(result, "peak_max") > 200.0


def test_a_left_hand_thread_retains_a_positive_torque(facts: RunFacts, truth: Truth) -> None:
    zero = facts.zero_before
    assert zero is not None
    mirrored = with_counts(facts, 2 * round(zero.mean_counts) - counts_of(facts))
    result = evaluate(with_plan(mirrored, rotation=Rotation.CCW, thread=Thread.LEFT))
    assert stated_value(result, "retained_final") == pytest.approx(truth.retained_final, rel=3e-3)
    assert stated_value(result, "mean_torque") == pytest.approx(truth.mean_torque, rel=3e-3)


@pytest.mark.parametrize("kind", [RigKind.FIXED, RigKind.THROUGH])
def test_other_rigs_retain_nothing_and_climb_in_their_peaks(facts: RunFacts, kind: RigKind) -> None:
    result = evaluate(with_plan(with_rig(facts, kind), marks_s=(0.1,)))
    assert all(value.name not in ("retained_at", "retained_final") for value in result.values)
    assert 300.0 < stated_value(result, "peak_at", 0.1) < 500.0
    assert metric("retained_final").rigs == HELD_RIGS


def test_a_slow_converter_gives_mean_and_final_torque_only(facts: RunFacts, truth: Truth) -> None:
    slow, rate_hz = _slow(facts), 75.0
    result = evaluate(slow)
    for name in ("blow_count", "blow_rate", "impulse_mean", "peak_mean", "maximum_torque"):
        assert "cannot show single blows" in reason(result, name)
    assert "cannot show single blows" in reason(result, "retained_at", 0.1)
    assert (result.time_zero, result.context.run.rate_hz) == ("onset", rate_hz)
    assert stated_value(result, "retained_final") == pytest.approx(truth.retained_final, rel=2e-3)
    assert "share of the blows" in flags(result, "mean_torque")
    mean = result.value("mean_torque")
    assert mean is not None
    assert mean.expanded is not None
    assert abs(stated_value(result, "mean_torque") - truth.mean_torque) < mean.expanded


def _slow(facts: RunFacts) -> RunFacts:
    """The same run through a converter that averages a hundred samples, with a second of rest behind it."""
    counts = counts_of(facts)
    rest = np.full(int(1.5 * RATE_HZ), round(counts[-1000:].mean()))
    whole = np.concatenate((counts, rest))
    averaged = whole[: len(whole) // 100 * 100].reshape(-1, 100).mean(axis=1)
    last = len(counts) // 100 - round(0.26 * 75)
    run = replace(facts.context.run, rate_hz=75.0, onset_index=5, release_index=last)
    settings = replace(facts.context.settings, rate_hz=75.0)
    plan = facts.context.plan
    assert plan is not None
    drive_s = (last - 5) / 75.0
    slow = with_context(facts, run=run, settings=settings, plan=replace(plan, drive_s=drive_s))
    return replace(with_counts(slow, np.rint(averaged)), boxcars_s=(1 / 75.0,))


def test_missing_samples_are_flagged_and_left_out(facts: RunFacts, truth: Truth) -> None:
    counts, cut = counts_of(facts), 1200
    gap = replace(facts, pieces=((0, counts[:cut]), (cut + 300, counts[cut + 300 :])))
    result = evaluate(gap)
    assert "300 of" in " ".join(result.flags)
    assert "lower bound" in flags(result, "blow_count")
    assert stated_value(result, "blow_count") < truth.blows
    mean = result.value("mean_torque")
    assert mean is not None
    assert mean.expanded is not None
    assert abs(stated_value(result, "mean_torque") - truth.mean_torque) < mean.expanded
    assert stated_value(result, "retained_final") == pytest.approx(truth.retained_final, rel=2e-3)


def test_without_a_zero_only_what_needs_none_is_stated(facts: RunFacts, truth: Truth) -> None:
    result = evaluate(replace(facts, zero_before=None, zero_after=None))
    assert "no zero reading" in reason(result, "retained_final")
    assert "no zero reading" in reason(result, "peak_mean")
    assert stated_value(result, "impulse_mean") == pytest.approx(truth.impulse_mean, rel=3e-3)
    one = evaluate(replace(facts, zero_after=None))
    assert "no zero reading after the run" in " ".join(one.flags)
    assert stated_value(one, "retained_final") > 0.0


def test_a_zero_that_moved_widens_the_interval(facts: RunFacts) -> None:
    zero = facts.zero_after
    assert zero is not None
    moved = replace(facts, zero_after=replace(zero, mean_counts=zero.mean_counts + 10.0 * COUNTS_PER_NM))
    steady, wide = (evaluate(one).value("retained_final") for one in (facts, moved))
    assert steady is not None
    assert wide is not None
    assert wide.expanded == pytest.approx(1.96 * 5.0 / np.sqrt(3.0), rel=0.03)
    assert wide.common == pytest.approx(steady.common, rel=0.05)


def test_an_unsteady_zero_is_flagged_and_its_scatter_is_not_taken_for_noise(facts: RunFacts) -> None:
    random = np.random.default_rng(1)
    zero = facts.zero_after
    assert zero is not None
    settling = 3000.0 * np.exp(-np.arange(7500) / 700.0) + random.normal(zero.mean_counts, 105.0, 7500)
    unsettled = replace(facts, zero_after=zero_reading(np.rint(settling).astype(np.int32), RATE_HZ))
    result = evaluate(unsettled)
    assert "the zero reading after the run was not at rest" in " ".join(result.flags)
    before, after = (evaluate(one).value("peak_max") for one in (facts, unsettled))
    assert before is not None
    assert after is not None
    assert after.over_read == pytest.approx(before.over_read, rel=0.1)


def test_torque_beyond_what_the_weights_vouch_for_is_withheld(facts: RunFacts) -> None:
    line = facts.lines[1]
    assert not isinstance(line, str)
    short = replace(line, highest_nm=80.0, limit_nm=160.0)
    result = evaluate(replace(facts, lines={1: short, -1: short}))
    for name in ("peak_mean", "peak_max", "maximum_torque", "impulse_mean", "mean_torque"):
        assert "160 N·m" in reason(result, name)
    assert "above the highest hung weight" in flags(result, "retained_final")


def test_too_few_samples_to_a_blow_withhold_its_shape(facts: RunFacts) -> None:
    counts = counts_of(facts)[::5]
    run = replace(facts.context.run, rate_hz=RATE_HZ / 5)
    result = evaluate(replace(with_counts(with_context(facts, run=run), counts), boxcars_s=()))
    assert "samples wide" in reason(result, "peak_mean")
    assert stated_value(result, "impulse_mean") > 0.0


def test_blows_against_the_rotation_are_named(facts: RunFacts) -> None:
    wrong = with_plan(facts, rotation=Rotation.CCW, thread=Thread.LEFT)
    assert "against the rotation" in reason(evaluate(wrong), "blow_count")


def test_what_went_wrong_with_the_run_is_said(facts: RunFacts) -> None:
    run = replace(facts.context.run, state=RunState.INTERRUPTED, end_reason="the cable was pulled")
    early = Notice(
        run.id, 100, "early release", "blows ended 1.20 s before the signal", "2026-05-04T08:00:00.000Z"
    )
    result = evaluate(with_context(facts, run=run, notices=(early,)))
    assert result.flags[0] == "the run was interrupted: the cable was pulled"
    assert "early release: blows ended 1.20 s before the signal" not in result.flags  # told from the blows


def test_a_knock_long_before_the_onset_is_no_blow(facts: RunFacts) -> None:
    counts = counts_of(facts)
    quiet = np.rint(np.random.default_rng(4).normal(counts[:100].mean(), 105.0, round(1.5 * RATE_HZ)))
    knocked = quiet.copy()
    knocked[round(0.5 * RATE_HZ) :][:6] += 20_000.0 * np.sin(np.pi * np.arange(1, 7) / 7)
    run = replace(facts.context.run, onset_index=len(quiet) + round(0.06 * RATE_HZ))
    plain = evaluate(with_counts(with_context(facts, run=run), np.concatenate((quiet, counts))))
    result = evaluate(with_counts(with_context(facts, run=run), np.concatenate((knocked, counts))))
    assert "knocks before the tool set in, left out: 1" in result.flags
    assert stated_value(result, "blow_count") == stated_value(plain, "blow_count")
    assert result.time_zero_s == plain.time_zero_s


def test_a_quiet_record_has_no_blows(facts: RunFacts) -> None:
    zero = facts.zero_before
    assert zero is not None
    noise = np.random.default_rng(3).normal(zero.mean_counts, zero.noise_counts, 7500)
    result = evaluate(with_counts(facts, np.rint(noise)))
    assert reason(result, "blow_count") == "no blow was found in the record"
    assert reason(result, "mean_torque") == "no blow was found in the record"


def test_a_record_that_ends_with_its_last_blow_has_no_final_torque(facts: RunFacts) -> None:
    counts = counts_of(facts)
    result = evaluate(with_counts(facts, counts[: -round(0.2 * RATE_HZ)]))
    assert "after the last blow" in reason(result, "retained_final")


def test_a_tool_that_goes_on_turning_is_waited_for(facts: RunFacts) -> None:
    # for 1 s after the last blow the nut drags 5000 counts, then the tool is let go and the drag ends
    counts = counts_of(facts)
    last = len(counts) - round(0.2 * RATE_HZ)
    rest = np.full(round(2.0 * RATE_HZ), float(np.median(counts[last:])))
    dragging = rest.copy()
    dragging[: round(1.1 * RATE_HZ)] -= 5000.0
    release = last + round(RATE_HZ)
    run = replace(facts.context.run, release_index=release)
    with_rest = with_counts(with_context(facts, run=run), np.concatenate((counts[:last], rest)))
    with_drag = with_counts(with_context(facts, run=run), np.concatenate((counts[:last], dragging)))
    still = stated_value(evaluate(with_rest), "retained_final")
    assert stated_value(evaluate(with_drag), "retained_final") == pytest.approx(still, abs=1e-9)


@pytest.mark.parametrize("pieces", [(), ((0, np.empty(0, np.int32)),)])
def test_a_run_without_samples_has_nothing_to_state(facts: RunFacts, pieces: tuple[object, ...]) -> None:
    result = evaluate(replace(facts, pieces=pieces))  # type: ignore[arg-type]
    assert result.values
    assert all(value.withheld == "the run holds no samples" for value in result.values)


def test_one_sample_is_no_reason_to_fall_over(facts: RunFacts) -> None:
    result = evaluate(replace(facts, pieces=((0, np.array([5], np.int32)),)))
    assert reason(result, "blow_count")
    assert reason(result, "retained_final")


def test_the_catalogue_knows_its_metrics() -> None:
    assert label("retained_at", 0.5) == "retained torque at 0.5 s"
    groups = [entry.group for entry in CATALOGUE.values()]
    assert groups == sorted(groups, key=list(type(groups[0])).index)
    for entry in CATALOGUE.values():
        assert all(
            (entry.label, entry.unit, entry.definition, entry.computed, entry.uncertainty, entry.group)
        )
    with pytest.raises(AnalysisError, match="no metric 'breakaway'"):
        metric("breakaway")
