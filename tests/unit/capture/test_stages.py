"""The course of a run, counted in samples."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from workshop import workshop

from anviltrace.capture.stages import RunStages, Stage, StillStages, TapStages, ZeroStages
from anviltrace.records import Plan

RATE_HZ = 1000.0
PIECE = 50


def plan(**changes: object) -> Plan:
    return replace(workshop().plan, **{"before_s": 1.0, "drive_s": 2.0, "after_s": 1.5, **changes})


def play(stages: RunStages | TapStages, signal: np.ndarray) -> dict[Stage, int]:
    """Feed ``signal``; return the sample index by which each stage had begun."""
    begun: dict[Stage, int] = {}
    for first in range(0, len(signal), PIECE):
        for stage in stages.feed(first, signal[first : first + PIECE]):
            begun[stage] = first + PIECE
    return begun


def struck_at(seconds: float, length_s: float = 10.0) -> np.ndarray:
    rng = np.random.default_rng(3)
    index = np.arange(int(length_s * RATE_HZ))
    blows = np.where((index >= seconds * RATE_HZ) & (index % 25 < 5), 1_000_000, 0)
    return (blows + rng.normal(0, 20, len(index))).astype(np.int32)


def test_a_run_by_plan() -> None:
    stages = RunStages(plan(), workshop(RATE_HZ).settings)
    begun = play(stages, struck_at(2.5))
    assert stages.onset_index is not None
    assert abs(stages.onset_index - 2500) <= 3
    assert begun[Stage.DRIVE] == 1000
    assert begun[Stage.RELEASE] == pytest.approx(stages.onset_index + 2000, abs=PIECE)
    assert begun[Stage.DONE] == pytest.approx(begun[Stage.RELEASE] + 1500, abs=PIECE)
    assert stages.release_index == begun[Stage.RELEASE]
    assert stages.reason == "ended by plan"


def test_no_onset_in_time() -> None:
    stages = RunStages(plan(onset_limit_s=3.0), workshop(RATE_HZ).settings)
    begun = play(stages, struck_at(99.0))
    assert set(begun) == {Stage.DRIVE, Stage.DONE}
    assert begun[Stage.DONE] == 4000
    assert stages.onset_index is None
    assert stages.reason == "no onset within 3 s of the signal to drive"


def test_the_whole_run_in_one_piece() -> None:
    """A read may bring more than a stage: the next ones begin with the samples that come then."""
    stages = RunStages(plan(), workshop(RATE_HZ).settings)
    signal = struck_at(2.5, 30.0)
    assert stages.feed(0, signal[:2000]) == [Stage.DRIVE]
    assert stages.feed(2000, signal[2000:20_000]) == [Stage.DRIVING, Stage.RELEASE]
    assert stages.feed(20_000, signal[20_000:22_000]) == [Stage.DONE]


def test_time_left() -> None:
    stages = RunStages(plan(), workshop(RATE_HZ).settings)
    assert stages.seconds_left(250) == pytest.approx(0.75)
    stages.feed(0, struck_at(9)[:1000])
    assert stages.seconds_left(1000) == pytest.approx(20.0)


def test_a_signal_against_the_rotation_is_told() -> None:
    stages = RunStages(plan(), workshop(RATE_HZ).settings)
    play(stages, -struck_at(2.5))
    assert stages.onset_index is not None
    assert stages.against_rotation


def test_a_zero_reading_is_as_long_as_asked() -> None:
    stages = ZeroStages(0.5, RATE_HZ)
    assert stages.feed(0, np.zeros(499, np.int32)) == []
    assert stages.seconds_left(499) == pytest.approx(0.001)
    assert stages.feed(499, np.zeros(1, np.int32)) == [Stage.DONE]


class TestTaps:
    def test_each_tap_is_asked_for_and_rings_out(self) -> None:
        stages = TapStages(2, workshop(RATE_HZ).settings)
        rng = np.random.default_rng(5)
        begun: list[tuple[Stage, float]] = []
        first = 0
        while stages.stage is not Stage.DONE:
            counts = rng.normal(100.0, 3.0, PIECE)
            if stages.stage is Stage.DRIVE and first / RATE_HZ > (2.0 if stages.taps == 0 else 4.0):
                counts[10] = 500.0
            begun += [(stage, first / RATE_HZ) for stage in stages.feed(first, counts.astype(np.int32))]
            first += PIECE
        asked, out = Stage.DRIVE, Stage.RELEASE
        assert [stage for stage, _ in begun] == [asked, out, asked, out, Stage.DONE]
        assert [at_s for _, at_s in begun] == pytest.approx([0.95, 2.05, 2.85, 4.05, 4.85], abs=0.06)
        assert (stages.taps, stages.quiet_end, stages.reason) == (2, 1000, "ended by plan")

    def test_a_tap_that_does_not_come_ends_it(self) -> None:
        stages = TapStages(3, workshop(RATE_HZ).settings)
        quiet = np.random.default_rng(6).normal(0.0, 3.0, 32_000).astype(np.int32)
        begun = play(stages, quiet)
        assert begun == {Stage.DRIVE: 1000, Stage.DONE: 31_000}
        assert stages.reason == "no tap came within 30 s"


def test_a_rig_at_rest_is_recorded_for_a_time_and_says_what_for() -> None:
    stages = StillStages(2.0, 100.0, "a check")
    assert stages.feed(0, np.zeros(150, np.int32)) == []
    assert stages.seconds_left(150) == 0.5
    assert stages.feed(150, np.zeros(50, np.int32)) == [Stage.DONE]
    assert stages.reason == "a check"
