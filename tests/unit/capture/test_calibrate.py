"""A calibration recorded from a stand-in board: what is kept, and what happens when something goes wrong."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np
import pytest
from hungweights import arm, masses
from standin import Script, StandIn
from workshop import Workshop, workshop

from anviltrace.archive import Archive
from anviltrace.calibration.inventory import Inventory, Site
from anviltrace.calibration.ladder import Preload, one_more_each_time
from anviltrace.calibration.line import LineFit
from anviltrace.calibration.procedure import (
    AskAngle,
    Bare,
    Clear,
    Doubt,
    Finish,
    FitArm,
    Hang,
    Instruction,
    Remount,
    Restore,
    Unhang,
    Wait,
    WarmUp,
    Wish,
)
from anviltrace.calibration.stability import Gate, Known, look_at
from anviltrace.capture.calibrate import Task, record_calibration
from anviltrace.capture.lines import find_calibration, line_for
from anviltrace.capture.recorder import Recorder
from anviltrace.capture.stages import ReadingStages, Stage
from anviltrace.errors import ArchiveError, CalibrationError, UnpluggedError
from anviltrace.link.port import open_port
from anviltrace.link.session import Session
from anviltrace.records import Calibration, LoadStep, Mass, Run, RunKind, RunState

RATE_HZ = 1000.0
HANGER, A, B, C, D = masses()
needs_pty = pytest.mark.skipif(os.name != "posix", reason="the stand-in needs a pty")


def at_level(counts: float) -> Callable[[np.ndarray], np.ndarray]:
    """Half a second of lowering, then a level with a little noise."""

    def signal(index: np.ndarray) -> np.ndarray:
        lowering = np.minimum(1.0, index / (0.5 * RATE_HZ))
        return np.rint(counts * lowering + index * 7 % 5).astype(np.int32)

    return signal


@dataclass
class Hand:
    """Hangs weights whose torque the stand-in board then shows, 2,000 counts per N·m."""

    board: StandIn
    asked: list[str] = field(default_factory=list)
    counts_per_nm: float = 2000.0
    at_torque: dict[int, Callable[[], None]] = field(default_factory=dict)
    angle_deg: float | None = None
    doubts: list[str] = field(default_factory=list)
    wishes: list[Wish] = field(default_factory=list)

    def fit_arm(self, step: FitArm) -> None:
        self._show(0.0, f"arm {step.sign:+d}")

    def hang(self, step: Hang) -> None:
        self._show(step.torque_nm, "hang " + "+".join(mass.name for mass in step.masses))

    def unhang(self, step: Unhang) -> None:
        self._show(step.torque_nm, "unhang " + "+".join(mass.name for mass in step.masses))

    def wait(self, step: Wait) -> None:
        self.asked.append(f"wait {step.seconds:g}")

    def warm_up(self, step: WarmUp) -> None:
        self.asked.append(f"warm up {step.seconds:g}")

    def bare(self, step: Bare) -> None:  # noqa: ARG002
        self._show(0.0, "bare")

    def remount(self, step: Remount) -> None:
        self._show(0.0, f"remount {step.position_deg:g}")

    def clear(self, step: Clear) -> None:  # noqa: ARG002
        self._show(0.0, "clear")

    def restore(self, step: Restore) -> None:
        self._show(step.torque_nm, "restore " + "+".join(mass.name for mass in step.masses))

    def angle(self, step: AskAngle) -> float | None:  # noqa: ARG002
        return self.angle_deg

    def doubt(self, step: Doubt) -> Wish | None:
        self.doubts.append(step.reason)
        return self.wishes.pop(0) if self.wishes else None

    def finish(self, step: Finish) -> None:
        """The arm may stay on."""

    def _show(self, torque_nm: float, what: str) -> None:
        self.asked.append(what)
        self.board.script.signal = at_level(self.counts_per_nm * torque_nm)
        self.at_torque.get(len(self.asked), lambda: None)()


@dataclass
class Desk:
    board: StandIn
    archive: Archive
    recorder: Recorder
    shop: Workshop
    task: Task
    hand: Hand

    def calibrate(self, **changes: object) -> Calibration:
        inventory = replace(self.task.inventory, **changes)  # type: ignore[arg-type]
        return record_calibration(
            self.recorder, self.archive, replace(self.task, inventory=inventory), self.hand
        )

    def line(self, sign: int = 1) -> LineFit | str:
        return line_for(self.archive, sign, self.shop.rig.id, self.shop.settings)


@contextmanager
def desk(folder: Path, script: Script | None = None) -> Iterator[Desk]:
    with (
        StandIn(script or Script()) as board,
        Archive.open(folder / "bench.anviltrace", create=True) as archive,
        Session(open_port(board.url)) as link,
    ):
        settings = link.configure(RATE_HZ)
        shop = replace(workshop(), settings=settings)
        shop.put_into(archive)
        recorder = Recorder(link, archive, settings, shop.session.id, lambda _: None)
        ladder = one_more_each_time((HANGER, A))
        inventory = Inventory(
            Site(9.81, 0.0005, "GRS80"), masses(), (arm(),), ladder, Gate(longest_s=8.0), Preload(count=0)
        )
        task = Task(session_id=shop.session.id, settings=settings, inventory=inventory, arm=arm(), sign=1)
        yield Desk(board, archive, recorder, shop, task, Hand(board))


@needs_pty
class TestWhole:
    def test_readings_are_kept_and_give_the_line(self, tmp_path: Path) -> None:
        with desk(tmp_path) as at:
            made = at.calibrate()
            steps = at.archive.all(LoadStep, calibration_id=made.id)
            assert [step.branch for step in steps] == ["zero", "up", "up", "down", "zero"]
            assert steps[2].mass_ids == (HANGER.id, A.id)
            assert at.hand.asked == [
                "arm +1",
                "hang hanger",
                "hang plate A",
                "unhang plate A",
                "unhang hanger",
            ]
            found = at.line()
            assert isinstance(found, LineFit)
            assert found.line.counts_per_nm == pytest.approx(2000.0, rel=1e-5)
            assert at.archive.verify() == []

    def test_the_raw_counts_give_the_same_reading_again(self, tmp_path: Path) -> None:
        with desk(tmp_path) as at:
            made = at.calibrate()
            for step in at.archive.all(LoadStep, calibration_id=made.id):
                run = at.archive.get(Run, step.run_id)
                again = look_at(at.archive.counts(run.id)[-step.samples :])
                assert (run.kind, run.state) == (RunKind.CALIBRATION, RunState.FINISHED)
                assert (step.mean_counts, step.sd_counts, step.drift_counts) == (
                    again.mean_counts, again.sd_counts, again.drift_counts)  # fmt: skip

    def test_the_other_sign_is_another_calibration(self, tmp_path: Path) -> None:
        with desk(tmp_path) as at:
            at.hand.counts_per_nm = -2000.0
            at.task = replace(at.task, sign=-1)
            at.calibrate()
            assert isinstance(found := at.line(-1), LineFit)
            assert found.line.counts_per_nm == pytest.approx(2000.0, rel=1e-5)
            assert isinstance(reason := at.line(1), str)
            assert "no calibration for clockwise torque" in reason

    def test_preload_and_everything_told_before_it_is_done(self, tmp_path: Path) -> None:
        told: list[Instruction] = []
        with desk(tmp_path) as at:
            inventory = replace(at.task.inventory, preload=Preload(count=1, hold_s=0.0))
            task = replace(at.task, inventory=inventory)
            record_calibration(at.recorder, at.archive, task, at.hand, told.append)
            assert at.hand.asked[:5] == [
                "arm +1", "hang hanger+plate A", "wait 0", "unhang hanger+plate A", "wait 0"]  # fmt: skip
            moved = [step for step in told if isinstance(step, FitArm | Hang | Unhang | Wait)]
            assert len(moved) == len(at.hand.asked)

    def test_found_by_the_beginning_of_its_id(self, tmp_path: Path) -> None:
        with desk(tmp_path) as at:
            made = at.calibrate()
            assert find_calibration(at.archive, made.id[:6]) == made
            with pytest.raises(ArchiveError, match="calibration list"):
                find_calibration(at.archive, "nothing")


@needs_pty
class TestTrouble:
    def test_a_reading_that_does_not_settle(self, tmp_path: Path) -> None:
        with desk(tmp_path) as at:

            def creeping(index: np.ndarray) -> np.ndarray:
                return (15_000 + index // 2).astype(np.int32)

            at.hand.at_torque[2] = lambda: setattr(at.board.script, "signal", creeping)
            with pytest.raises(
                CalibrationError, match=r"reading 2 is not steady after 8 s: it drifts by \+10"
            ):
                at.calibrate()
            runs = at.archive.all(Run)
            assert [run.kind for run in runs] == [RunKind.CALIBRATION] * 2
            assert runs[1].samples >= 8 * RATE_HZ
            assert runs[1].end_reason == "not steady within 8 s"
            assert len(at.archive.all(LoadStep)) == 1
            assert isinstance(reason := at.line(), str)
            assert "unfinished: series 1 of 1 (mounting 1 of 1) lacks 4 of its 5 readings" in reason

    def test_a_reading_beyond_the_range(self, tmp_path: Path) -> None:
        def at_the_rail(index: np.ndarray) -> np.ndarray:
            return np.full(index.shape, 8_388_607, np.int32)

        with desk(tmp_path) as at:
            at.hand.at_torque[2] = lambda: setattr(at.board.script, "signal", at_the_rail)
            with pytest.raises(CalibrationError, match="reading 2 is beyond the converter's range"):
                at.calibrate()

    def test_the_wrong_plate(self, tmp_path: Path) -> None:
        with desk(tmp_path) as at:
            at.hand.at_torque[3] = lambda: setattr(at.board.script, "signal", at_level(60_000.0))
            with pytest.raises(CalibrationError, match=r"reading 3 is .* check which weights hang"):
                at.calibrate()

    def test_one_load_only_touches_nothing(self, tmp_path: Path) -> None:
        with desk(tmp_path) as at:
            with pytest.raises(CalibrationError, match="two different loads at least"):
                at.calibrate(ladder=one_more_each_time((HANGER,)))
            assert at.hand.asked == []
            assert at.archive.all(Calibration) == []
            assert at.archive.all(Mass) == []

    def test_a_pulled_cable_keeps_the_readings_so_far(self, tmp_path: Path) -> None:
        with desk(tmp_path) as at:
            at.hand.at_torque[3] = lambda: setattr(at.board.script, "unplug_at", 4)
            with pytest.raises(UnpluggedError):
                at.calibrate()
            assert len(at.archive.all(LoadStep)) == 2
            assert at.archive.all(Run)[-1].state is RunState.INTERRUPTED
            assert isinstance(at.line(), str)


class TestReadingStages:
    def feed(
        self, stages: ReadingStages, counts: np.ndarray, start: int = 0, skip: tuple[int, int] = (0, 0)
    ) -> int:
        """Feed blocks of 100 samples until done; samples within ``skip`` are lost. Returns where it ended."""
        for first in range(start, len(counts), 100):
            if skip[0] <= first < skip[1]:
                continue
            if stages.feed(first, counts[first : first + 100]) == [Stage.DONE]:
                return first + 100
        return len(counts)

    def stages(self, gate: Gate) -> ReadingStages:
        return ReadingStages(gate, Known(0.0, 2.0, 100_000.0), RATE_HZ)

    def test_as_soon_as_the_window_is_steady(self) -> None:
        counts = at_level(100_000.0)(np.arange(20_000))
        stages = self.stages(Gate())
        assert 2300 <= self.feed(stages, counts) <= 3000
        assert stages.why_unsteady == ""

    def test_not_before_the_wait_is_over(self) -> None:
        counts = at_level(100_000.0)(np.arange(20_000))
        assert self.feed(self.stages(Gate(wait_s=7.0)), counts) == 9000

    def test_a_gap_begins_the_window_anew(self) -> None:
        counts = at_level(100_000.0)(np.arange(20_000))
        stages = self.stages(Gate())
        assert self.feed(stages, counts, skip=(2000, 2100)) >= 4100
        assert stages.why_unsteady == ""

    def test_given_up_with_the_reason(self) -> None:
        stages = self.stages(Gate(longest_s=6.0))
        assert self.feed(stages, np.arange(20_000, dtype=np.int32) * 10) == 6000
        assert "drifts by" in stages.why_unsteady
        assert stages.reason == "not steady within 6 s"
        assert stages.seconds_left(6000) == 0.0
        assert stages.feed(6000, np.zeros(100, np.int32)) == []
