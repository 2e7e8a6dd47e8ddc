"""Converters with uneven steps: what they add to the uncertainty, and a level on a wide code."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from blow_train import Train
from simulated import COUNTS_PER_NM
from struck_facts import facts_of, struck_facts

from anviltrace.metrics.evaluate import evaluate
from anviltrace.metrics.facts import zero_reading
from anviltrace.metrics.steps import Steps, steps_of

STEP = COUNTS_PER_NM / 2.0
"""Of a converter that has two steps to a newton-metre."""
WIDE = Steps(STEP, 7.85 * STEP, (100.0 * COUNTS_PER_NM,), 9.9 * STEP)


def test_the_published_figures_of_an_rp2040() -> None:
    # erratum RP2040-E11 as quoted in electronics.SE 613537: 512, 1536, 2560, 3584; INL 7.85 LSB and DNL
    # 8.9 LSB from a public characterisation of the Pico's ADC
    steps = steps_of("ownadc", 25 * 2048)
    assert steps is not None
    assert [code / 25 + 2048 for code in steps.wide] == [512, 1536, 2560, 3584]
    assert steps.off / steps.step == 7.85
    assert pytest.approx(0.002, rel=0.05) == 7.85 / 4096  # the 0.2 % of its whole range it is known for
    assert steps.width / steps.step == pytest.approx(1.0 + 8.9)


def test_other_converters_have_even_steps() -> None:
    assert steps_of("ads1256", 8_388_607) is None
    later = steps_of("ownadc-rp2350", 51_200)
    assert later is not None
    assert later.wide == ()


def test_a_torque_is_known_to_the_steps_at_it_and_at_the_zero() -> None:
    facts = struck_facts(Train(kind="tightening", blows=40, samples=15.0))
    plain = evaluate(facts).value("retained_final")
    uneven = evaluate(replace(facts, steps=Steps(STEP, 7.85 * STEP))).value("retained_final")
    assert plain is not None
    assert uneven is not None
    assert uneven.value == plain.value  # nothing is corrected
    # a rectangle for each of both readings, 7.85 steps of half a newton-metre to either side
    more = 2.0 * (7.85 * 0.5 / np.sqrt(3.0)) ** 2
    assert plain.expanded is not None
    assert uneven.expanded is not None
    assert (uneven.expanded / 1.96) ** 2 == pytest.approx((plain.expanded / 2.0) ** 2 + more, rel=0.03)


def coded(torque_nm: np.ndarray) -> np.ndarray:
    """Counts of a converter whose code at 100 N·m takes up 4.95 N·m, with 0.25 N·m of noise averaged out."""
    wide, half = 100.0, 0.25 * 9.9
    off = np.where(np.abs(torque_nm - wide) <= half, wide - torque_nm, 0.0)
    return np.rint(COUNTS_PER_NM * (torque_nm + off)).astype(np.int32)


def flags_at(level_nm: float, rise_nm: float = 0.0) -> str:
    torque = np.concatenate((np.zeros(7_500), level_nm + rise_nm * np.linspace(0.0, 1.0, 3_000)))
    facts = facts_of(torque, 15_000.0)
    noise = np.random.default_rng(2).normal(0.0, 0.05, torque.size)
    return " ".join(evaluate(replace(facts, pieces=((0, coded(torque + noise)),), steps=WIDE)).flags)


@pytest.mark.parametrize("level_nm", [98.0, 100.0, 102.0])
def test_a_level_within_a_wide_code_is_told(level_nm: float) -> None:
    told = flags_at(level_nm)
    assert "a wide code of the converter stands for a level: 0.20 s of the run" in told
    assert "may be off by 2.5 N·m and looks steadier than it is" in told


def test_a_slow_rise_through_it_is_told_and_a_quick_one_is_not() -> None:
    assert "wide code" in flags_at(90.0, 20.0)  # 5 of 20 N·m in 0.2 s: 50 ms of standing still
    assert "wide code" not in flags_at(0.0, 320.0)  # 3 ms
    assert "wide code" not in flags_at(95.0)
    assert "wide code" not in flags_at(104.0)


def test_a_zero_on_a_wide_code_is_told() -> None:
    facts = struck_facts(Train(kind="tightening", blows=40, samples=15.0))
    zero = zero_reading(np.full(7500, round(WIDE.wide[0]), dtype=np.int32), 15_000.0)
    assert "wide code" not in " ".join(evaluate(replace(facts, steps=WIDE)).flags)
    told = " ".join(evaluate(replace(facts, steps=WIDE, zero_after=zero)).flags)
    assert "stands for a level: a zero reading, which" in told


def test_samples_of_a_record_in_pieces_are_counted_where_they_stay() -> None:
    counts = np.array([0] * 50 + [500] * 40 + [0, 500, 0] + [500] * 200, dtype=np.int32)
    steps = Steps(1.0, 7.85, (500.0, -500.0), 9.9)
    assert steps.samples_on_wide(counts, 10_000.0) == {500.0: 200}
    assert steps.samples_on_wide(counts, 1_000.0) == {500.0: 240}
    assert steps.samples_on_wide(counts[:0], 1_000.0) == {}
