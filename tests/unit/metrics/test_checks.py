"""Flags of a run as a whole: each is raised by what it is about and nothing else; and the grade they make."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from blow_train import Train, make
from simulated import COUNTS_PER_NM
from struck_facts import facts_of, struck_facts, with_counts, with_release

from anviltrace.metrics.catalogue import CATALOGUE
from anviltrace.metrics.evaluate import evaluate
from anviltrace.metrics.facts import RunFacts
from anviltrace.metrics.flagtable import FLAGS, Weight
from anviltrace.metrics.quality import Raised, quality
from anviltrace.metrics.results import Grade, RunResult, Value
from anviltrace.records import Notice, RigKind, RunKind, Start

TIGHTENING = Train(kind="tightening", blows=40, samples=15.0)


@pytest.fixture(scope="module")
def sound() -> RunFacts:
    return struck_facts(TIGHTENING)


def told(result: RunResult) -> str:
    return " | ".join(result.flags)


def counts_of(facts: RunFacts) -> np.ndarray:
    return facts.pieces[0][1].astype(np.float64)


@pytest.mark.parametrize(
    "train", [TIGHTENING, Train(kind="through", samples=15.0), Train(kind="loosening", samples=15.0)],
    ids=lambda train: train.kind,
)  # fmt: skip
def test_a_sound_run_is_good_and_raises_nothing(train: Train) -> None:
    result = evaluate(struck_facts(train))
    assert result.flags == ()
    assert result.quality.grade is Grade.GOOD
    assert result.quality.text == "good; peaks with care: the rig's natural frequency is not on record"


def test_the_declared_kind_rules_and_data_that_contradict_it_are_told(sound: RunFacts) -> None:
    through = evaluate(struck_facts(Train(kind="through", samples=15.0)))
    assert all(value.name != "retained_final" for value in through.values)
    nothing_kept = facts_of(make(Train(samples=15.0), np.random.default_rng(1)).torque_nm, 15000.0)
    held = evaluate(nothing_kept)
    assert "declared held, and nothing is kept after the blows" in told(held)
    assert held.value("retained_final") is not None  # the declaration rules
    assert held.quality.text.startswith("usable with care: the data contradict the kind of rig")
    context = replace(sound.context, rig=replace(sound.context.rig, kind=RigKind.THROUGH))
    kept = evaluate(replace(sound, context=context))
    assert "declared through, and 180 N·m stay" in told(kept)
    assert kept.value("retained_final") is None


def test_a_preset_joint_without_torque_contradicts_its_plan() -> None:
    made = make(Train(samples=15.0), np.random.default_rng(1))
    loosening = struck_facts(Train(kind="loosening", samples=15.0))
    empty = with_counts(loosening, -COUNTS_PER_NM * made.torque_nm)
    assert "nothing is kept before the first blow" in told(evaluate(empty))


def test_a_joint_that_is_not_slack_is_told(sound: RunFacts) -> None:
    lifted = with_counts(sound, counts_of(sound) + 12.0 * COUNTS_PER_NM)
    assert "the joint was not slack: 12 N·m" in told(evaluate(lifted))
    plan = sound.context.plan
    assert plan is not None
    preset = replace(lifted, context=replace(sound.context, plan=replace(plan, start=Start.PRESET)))
    assert told(evaluate(preset)) == ""


def test_a_trigger_let_go_early_is_told(sound: RunFacts) -> None:
    assert "early release: blows ended 0.8" in told(evaluate(with_release(sound, 2.1)))
    assert told(evaluate(with_release(sound, 1.3))) == ""


def test_a_joint_that_came_loose_is_no_early_release() -> None:
    loose = struck_facts(Train(kind="loosening", samples=15.0, blows=60, rest_s=2.0), marks_s=())
    ended_s = float(np.flatnonzero(np.abs(np.diff(counts_of(loose))) > 20_000)[-1]) / 15_000
    result = evaluate(with_release(loose, ended_s + 0.25 + 0.1))
    assert "early release" not in told(result)
    free = evaluate(with_release(loose, ended_s + 0.9))
    assert "the joint came loose before the signal" in told(free)
    assert free.quality.grade is Grade.GOOD


def test_a_tool_that_is_let_go_late_does_not_pass_for_torque_that_the_joint_keeps() -> None:
    """Running free it drags at the transducer by 1.5 N·m, until 0.9 s after the signal to release."""
    loose = struck_facts(Train(kind="loosening", samples=15.0, blows=60, rest_s=2.0), marks_s=())
    counts = counts_of(loose)
    ended = int(np.flatnonzero(np.abs(np.diff(counts)) > 20_000)[-1])
    in_time = evaluate(with_release(loose, ended / 15_000 + 0.9)).value("retained_final")
    counts[ended + 300 : ended + round(1.8 * 15_000)] -= 1.5 * COUNTS_PER_NM
    late = evaluate(with_release(with_counts(loose, counts), ended / 15_000 + 0.9)).value("retained_final")
    assert in_time is not None
    assert late is not None
    assert in_time.value == pytest.approx(0.0, abs=in_time.expanded)
    assert in_time.expanded < 1.0
    assert late.value == pytest.approx(0.0, abs=late.expanded)
    assert 1.5 < late.expanded < 2.5


def test_a_joint_still_tight_when_the_blows_end_is_an_early_release() -> None:
    tight = struck_facts(Train(kind="loosening", samples=15.0, blows=6))
    result = evaluate(with_release(tight, 1.4))
    assert "early release" in told(result)
    assert result.quality.grade is Grade.CARE


def test_a_rig_that_keeps_nothing_does_not_show_why_blows_ended() -> None:
    loose = struck_facts(Train(kind="loosening", samples=15.0, blows=20))
    context = replace(loose.context, rig=replace(loose.context.rig, kind=RigKind.THROUGH))
    applied = -COUNTS_PER_NM * make(Train(samples=15.0), np.random.default_rng(1)).torque_nm
    result = evaluate(with_release(with_counts(replace(loose, context=context), applied), 3.0))
    assert "the joint came loose, or the trigger was let go early" in told(result)


def test_the_recorders_notice_counts_only_where_no_blow_is_seen(sound: RunFacts) -> None:
    run_id = sound.context.run.id
    notice = Notice(
        run_id, 9, "early release", "blows ended 1.20 s before the signal", "2026-05-04T08:00:00.000Z"
    )
    link = Notice(
        run_id, 9, "link", "the link did not take 2 blocks of the board", "2026-05-04T08:00:00.000Z"
    )
    result = evaluate(replace(sound, context=replace(sound.context, notices=(notice, link))))
    assert result.flags == ("link: the link did not take 2 blocks of the board",)


def test_doubts_about_the_calibration_are_kept_apart_from_what_an_import_says(sound: RunFacts) -> None:
    doubt = "calibration 0a1b2c3d is doubtful: it was made 400 days before the run"
    doubtful = evaluate(replace(sound, doubts={1: (doubt,)}))
    assert (doubtful.flags, doubtful.doubts) == ((doubt,), (doubt,))
    run = replace(sound.context.run, kind=RunKind.IMPORT)
    stated = "imported from a.csv: torque as stated by its maker, to ±2 %"
    brought = replace(sound, doubts={1: (stated,)}, context=replace(sound.context, run=run))
    result = evaluate(brought)
    assert (result.flags, result.doubts) == ((stated,), ())
    assert result.quality.text.startswith("usable with care: imported from a.csv; peaks")


def test_hum_is_told_and_does_no_harm() -> None:
    # a mains adapter: the zero readings know nothing of its hum
    facts = struck_facts(replace(TIGHTENING, rest_s=0.5))
    facts = replace(facts, context=replace(facts.context, run=replace(facts.context.run, onset_index=7500)))
    counts = counts_of(facts)
    hum = 0.4 * np.sin(2.0 * np.pi * 60.0 * np.arange(counts.size) / 15_000.0)
    plain, humming = evaluate(facts), evaluate(with_counts(facts, counts + COUNTS_PER_NM * hum))
    assert "mains hum: 0.4 N·m at 60 Hz" in told(humming)
    assert humming.quality.grade is Grade.GOOD
    for name in ("blow_count", "impulse_mean", "retained_final", "peak_mean"):
        assert value_of(humming, name) == pytest.approx(value_of(plain, name), rel=2e-3)


@pytest.mark.parametrize("hum_nm", [0.5, 10.0])
def test_without_a_zero_hum_is_noise_all_the_same(hum_nm: float) -> None:
    """Samples close together do not show it, and what it does between blows is no blow."""
    made = make(Train(samples=25.0, rest_s=0.5), np.random.default_rng(1))
    hum = hum_nm * np.sin(2.0 * np.pi * 50.0 * np.arange(made.torque_nm.size) / made.rate_hz)
    facts = facts_of(made.torque_nm + hum, made.rate_hz, RigKind.THROUGH)
    result = evaluate(replace(facts, zero_before=None, zero_after=None))
    assert value_of(result, "blow_count") == len(made.apex_s)
    impulse = result.value("impulse_mean")
    assert impulse is not None
    assert impulse.expanded is not None
    assert value_of(result, "impulse_mean") == pytest.approx(np.mean(made.impulse_nms), abs=impulse.expanded)
    assert "mains hum" in told(result)


def value_of(result: RunResult, name: str) -> float:
    value = result.value(name)
    assert value is not None
    assert value.value is not None, value.withheld
    return value.value


def test_a_partial_first_blow_is_told_and_counts() -> None:
    made = make(Train(samples=15.0, energy_scatter=0.0), np.random.default_rng(1))
    index = np.arange(made.torque_nm.size)
    first = np.abs(index - made.apex_s[0] * made.rate_hz) < 15
    weak = facts_of(np.where(first, 0.3 * made.torque_nm, made.torque_nm), made.rate_hz, RigKind.THROUGH)
    result = evaluate(weak)
    assert "the first blow is partial: 30 %" in told(result)
    assert value_of(result, "blow_count") == 40
    assert value_of(result, "time_zero") == pytest.approx(made.apex_s[0], abs=6e-4)


def test_a_record_that_begins_within_a_blow_leaves_it_out_and_says_so() -> None:
    made = make(Train(samples=15.0, energy_scatter=0.0), np.random.default_rng(1))
    cut = round(made.apex_s[3] * made.rate_hz)
    result = evaluate(facts_of(made.torque_nm[cut:], made.rate_hz, RigKind.THROUGH))
    assert "a blow is cut by an end of the record or a gap" in told(result)
    assert value_of(result, "blow_count") == 36


def test_a_zero_that_moved_much_is_told(sound: RunFacts) -> None:
    after = sound.zero_after
    assert after is not None
    moved = replace(after, mean_counts=after.mean_counts + 6.0 * COUNTS_PER_NM)
    result = evaluate(replace(sound, zero_after=moved))
    assert "the zero moved during the run: by 6 N·m" in told(result)
    assert result.quality.grade is Grade.CARE


def test_missed_and_double_blows_are_counted_and_told() -> None:
    made = make(Train(samples=15.0, interval_scatter=0.0), np.random.default_rng(1))
    index = np.arange(made.torque_nm.size)
    torque = made.torque_nm.copy()
    for missing in (12, 13, 25):
        torque[np.abs(index - made.apex_s[missing] * made.rate_hz) < 20] = 0.0
    second = np.roll(made.torque_nm, round(0.008 * made.rate_hz))
    torque += np.where(np.abs(index - (made.apex_s[30] + 0.008) * made.rate_hz) < 12, 0.5 * second, 0.0)
    result = evaluate(facts_of(torque, made.rate_hz, RigKind.THROUGH))
    assert (value_of(result, "missed_blows"), value_of(result, "double_blows")) == (3.0, 1.0)
    assert value_of(result, "blow_count") == 37
    assert value_of(result, "blow_rate") == pytest.approx(40.0, rel=1e-3)
    assert value_of(result, "blow_rate_mean") == pytest.approx(36 / (39 * 0.025), rel=1e-3)
    assert "many blows seem missed: 3 of 40" in told(result)
    assert "double strikes, counted once: 1" in told(result)


def test_few_samples_to_a_blow_concern_peaks_alone() -> None:
    result = evaluate(struck_facts(Train(kind="tightening", samples=4.0, width_s=0.8e-3)))
    assert result.quality.grade is Grade.GOOD
    assert "fewer than five samples to a blow" in result.quality.peaks


def test_without_blows_or_calibration_a_run_is_not_usable(sound: RunFacts) -> None:
    quiet = evaluate(with_counts(sound, counts_of(sound)[:4000]))
    assert quiet.quality.text == "not usable: no blow was found in the record"
    bare = evaluate(replace(sound, lines={1: "no calibration for clockwise torque", -1: "none"}))
    assert bare.quality.text == "not usable: torque is withheld"
    assert value_of(bare, "blow_count") == 40
    empty = evaluate(replace(sound, pieces=()))
    assert empty.quality.text == "not usable: the run holds no samples"


def test_the_heaviest_flag_makes_the_grade() -> None:
    by_weight = {
        weight: next(name for name, flag in FLAGS.items() if flag.weight is weight) for weight in Weight
    }
    flags = {weight: Raised(name, f"{weight.name} thing: detail") for weight, name in by_weight.items()}
    assert quality([flags[Weight.NOTED]], ()).text == "good"
    peaks = quality([flags[Weight.NOTED], flags[Weight.PEAKS]], ())
    assert peaks.text == "good; peaks with care: PEAKS thing"
    care = quality([flags[Weight.CARE], flags[Weight.PEAKS]], ())
    assert care.text == "usable with care: CARE thing; peaks with care: PEAKS thing"
    assert quality(list(flags.values()), ()).text == "not usable: UNUSABLE thing"
    many = quality([Raised("clipped", f"reason {n}: x") for n in range(5)], ())
    assert many.text == "usable with care: reason 0; reason 1; reason 2; and 2 more"
    withheld = quality([], [Value("peak_mean", None, withheld="fn·w is 1.2: tap")])
    assert withheld.text == "good; peaks: withheld, fn·w is 1.2"


def test_a_run_whose_leading_numbers_are_withheld_is_not_good(sound: RunFacts) -> None:
    short = evaluate(with_counts(sound, counts_of(sound)[:-4400]))
    assert short.value("retained_final").value is None  # type: ignore[union-attr]
    assert short.quality.text.startswith("usable with care: final retained torque withheld, the record ends ")
    no_zero = evaluate(replace(sound, zero_before=None, zero_after=None)).quality
    assert no_zero.text.endswith("with the same settings; peaks: withheld")  # the reason once


def test_what_a_run_cannot_have_is_no_fault_of_it() -> None:
    late = evaluate(struck_facts(TIGHTENING, marks_s=(60.0,)))
    loosened = evaluate(struck_facts(Train(kind="loosening", samples=15.0)))
    for result in (late, loosened):
        assert any(value.value is None for value in result.values)
        assert result.quality.grade is Grade.GOOD


def test_every_definition_of_a_single_run_is_a_metric_or_a_flag() -> None:
    metrics = {
        "onset", "time_zero", "blow_rate", "blow_rate_mean", "peak_mean", "net_peak_mean", "impulse_mean",
        "width_median", "shape_number", "rise_median", "retained_at", "retained_final", "relaxation",
        "peak_at", "time_to", "climb_end", "climb_tau", "climb_rms", "climb_gain", "climb_aic",
        "climb_linearity", "climb_r_squared", "plateau_slope", "plateau_percent", "impulse_squared",
        "peak_impulse", "impulse_rate", "missed_blows", "double_blows",
    }  # fmt: skip
    assert metrics <= set(CATALOGUE)
    assert {"undersampled", "clipped", "resonance", "missed_blows", "double_blows"} <= set(FLAGS)
    for flag in FLAGS.values():
        assert flag.raised.endswith(".")
        assert flag.means.endswith((".", "?"))
