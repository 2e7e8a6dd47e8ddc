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
from workshop import Workshop, fixed_id, workshop

from anviltrace.archive import Archive
from anviltrace.calibration.course import FULL
from anviltrace.calibration.instructions import (
    AskAngle,
    Bare,
    Clear,
    Doubt,
    Finish,
    FitArm,
    Hang,
    Instruction,
    Meanwhile,
    Remount,
    Restore,
    Unhang,
    Wait,
    WarmUp,
    Wish,
)
from anviltrace.calibration.inventory import Inventory, Site
from anviltrace.calibration.ladder import Manner, Preload, one_more_each_time
from anviltrace.calibration.line import LineFit
from anviltrace.calibration.procedure import outline_of
from anviltrace.calibration.stability import Gate, Known, look_at
from anviltrace.capture.barezero import bare_zeros
from anviltrace.capture.calibrate import (
    begin_calibration,
    go_on,
    record_calibration,
    resumed_task,
)
from anviltrace.capture.lines import (
    candidate,
    candidates,
    find_calibration,
    find_unfinished,
    kept_steps,
    line_for,
)
from anviltrace.capture.recorder import Recorder
from anviltrace.capture.stages import ReadingStages, Stage
from anviltrace.capture.task import Task
from anviltrace.errors import ArchiveError, CalibrationError, UnpluggedError
from anviltrace.link.port import open_port
from anviltrace.link.session import Session
from anviltrace.records import Calibration, Decision, LoadStep, Mass, Run, RunKind, RunState, Zero, new_id

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


def wrong_once(at: Desk) -> None:
    """At the third move something else hangs than was asked for; put right, the board shows what is due."""
    at.hand.at_torque[3] = lambda: setattr(at.board.script, "signal", at_level(60_000.0))
    put_right = at.hand.doubt

    def doubt(step: Doubt) -> Wish | None:
        at.board.script.signal = at_level(2000.0 * step.asked.torque_nm)
        return put_right(step)

    at.hand.doubt = doubt  # type: ignore[method-assign]


@needs_pty
class TestRedo:
    def test_a_wrong_reading_is_repeated_and_its_counts_stay(self, tmp_path: Path) -> None:
        with desk(tmp_path) as at:
            wrong_once(at)
            at.hand.wishes = [Wish.AGAIN]
            made = at.calibrate()
            assert len(at.archive.all(LoadStep)) == 5
            runs = at.archive.all(Run)
            assert len(runs) == 6
            (decision,) = at.archive.decisions(runs[2].id)
            assert decision.verdict == "discard"
            assert "check which weights hang" in decision.reason
            assert len(at.archive.counts(runs[2].id)) > 1000
            assert isinstance(found := at.line(), LineFit)
            assert found.line.calibration_id == made.id

    def test_a_series_begun_anew_leaves_the_first_try_out_of_the_line(self, tmp_path: Path) -> None:
        with desk(tmp_path) as at:
            wrong_once(at)
            at.hand.wishes = [Wish.ANEW]
            made = at.calibrate()
            steps = at.archive.all(LoadStep, calibration_id=made.id)
            assert [step.number for step in steps] == [1, 2, 3, 4, 5, 6, 7]
            kept = kept_steps(at.archive, made.id)
            assert kept == steps[2:]
            assert [step.branch for step in kept] == ["zero", "up", "up", "down", "zero"]
            assert isinstance(at.line(), LineFit)
            assert "clear" in at.hand.asked

    def test_a_reading_discarded_later_leaves_the_line_and_does_not_open_it(self, tmp_path: Path) -> None:
        with desk(tmp_path) as at:
            made = at.calibrate(ladder=one_more_each_time((HANGER, A, B)))
            assert isinstance(before := at.line(), LineFit)
            down = next(s for s in at.archive.all(LoadStep) if s.branch == "down")
            at.archive.put(Decision(new_id(), down.run_id, "discard", "somebody leant on the arm"))
            assert isinstance(after := at.line(), LineFit)
            assert len(after.steps) == len(before.steps) - 1 == 6
            at.archive.put(Decision(new_id(), down.run_id, "keep", "it was the other one"))
            assert len(candidate(at.archive, made).fit().steps) == 7


@needs_pty
class TestGoingOn:
    def stop_at(self, at: Desk, move: int) -> Calibration:
        def trip() -> None:
            raise KeyboardInterrupt

        at.hand.at_torque[move] = trip
        with pytest.raises(KeyboardInterrupt):
            at.calibrate()
        at.hand.at_torque.clear()
        (made,) = at.archive.all(Calibration)
        return made

    @pytest.mark.parametrize("move", [2, 3, 4, 5])
    def test_untouched_nothing_is_read_twice(self, tmp_path: Path, move: int) -> None:
        with desk(tmp_path) as at:
            made = self.stop_at(at, move)
            before = at.archive.all(LoadStep)
            assert isinstance(reason := at.line(), str)
            assert f"--resume {made.id[:8]}" in reason
            assert find_unfinished(at.archive) == find_unfinished(at.archive, made.id[:6]) == made
            task = resumed_task(at.archive, made, at.task)
            go_on(at.recorder, at.archive, task, made, at.hand)
            steps = at.archive.all(LoadStep)
            assert steps[: len(before)] == before
            assert [step.branch for step in steps] == ["zero", "up", "up", "down", "zero"]
            assert isinstance(at.line(), LineFit)
            with pytest.raises(ArchiveError, match="no unfinished calibration"):
                find_unfinished(at.archive)

    def test_unloaded_the_series_begins_anew_with_a_zero(self, tmp_path: Path) -> None:
        with desk(tmp_path) as at:
            made = self.stop_at(at, 4)
            task = resumed_task(at.archive, made, at.task)
            go_on(at.recorder, at.archive, task, made, at.hand, meanwhile=Meanwhile.UNLOADED)
            assert len(at.archive.all(LoadStep)) == 3 + 5
            assert [step.number for step in kept_steps(at.archive, made.id)] == [4, 5, 6, 7, 8]
            reasons = {one.reason for one in at.archive.all(Decision)}
            assert reasons == {"stopped inside the series: it begins anew with a zero"}
            assert isinstance(at.line(), LineFit)

    def test_it_goes_on_with_the_weights_it_began_with(self, tmp_path: Path) -> None:
        with desk(tmp_path) as at:
            made = self.stop_at(at, 3)
            other = replace(A, id=C.id, mass_kg=10.5)
            inventory = replace(at.task.inventory, ladder=one_more_each_time((HANGER, other)))
            task = resumed_task(at.archive, made, replace(at.task, inventory=inventory, sign=-1))
            assert task.inventory.ladder[-1].masses == (HANGER, A)
            assert task.sign == 1

    def test_another_gain_board_or_rig_is_refused(self, tmp_path: Path) -> None:
        with desk(tmp_path) as at:
            made = self.stop_at(at, 3)
            gain = replace(at.shop.settings, id=fixed_id(301), gain=64)
            board = replace(at.shop.board, id=fixed_id(302), unique_id="ff")
            rig = replace(at.shop.rig, id=fixed_id(303), name="other")
            elsewhere = replace(at.shop.session, id=fixed_id(304), board_id=board.id)
            on_other_rig = replace(at.shop.session, id=fixed_id(305), rig_id=rig.id)
            for record in (gain, board, rig, elsewhere, on_other_rig):
                at.archive.put(record)
            with pytest.raises(CalibrationError, match="made with gain"):
                resumed_task(at.archive, made, replace(at.task, settings=gain))
            with pytest.raises(CalibrationError, match="another board"):
                resumed_task(at.archive, made, replace(at.task, session_id=elsewhere.id))
            with pytest.raises(CalibrationError, match="another rig"):
                resumed_task(at.archive, made, replace(at.task, session_id=on_other_rig.id))

    def test_another_cable_is_refused_where_both_are_stated(self, tmp_path: Path) -> None:
        with desk(tmp_path) as at:
            begun = replace(at.shop.session, id=fixed_id(306), cable="2 m")
            now = replace(begun, id=fixed_id(307), cable="5 m")
            at.archive.put(begun)
            at.archive.put(now)
            made = self.stop_at(at, 3)
            resumed_task(at.archive, made, replace(at.task, session_id=now.id))
            made = replace(made, session_id=begun.id)
            with pytest.raises(CalibrationError, match="the cable '2 m', and this is '5 m'"):
                resumed_task(at.archive, made, replace(at.task, session_id=now.id))

    def test_one_without_a_course_cannot_go_on(self, tmp_path: Path) -> None:
        with desk(tmp_path) as at:
            made = replace(at.calibrate(), course="")
            with pytest.raises(CalibrationError, match="does not say what it lacks"):
                resumed_task(at.archive, made, at.task)


@needs_pty
class TestFullCourse:
    def task(self, at: Desk, **changes: object) -> Task:
        manner = Manner(mountings=2, warm_up_s=60.0, preloads=1, zero_wait_s=0.0)
        inventory = replace(at.task.inventory, manner=manner, **changes)  # type: ignore[arg-type]
        outline = outline_of(inventory.ladder, FULL, manner.mountings)
        return replace(at.task, inventory=inventory, outline=outline)

    def test_series_and_mountings_are_told_apart(self, tmp_path: Path) -> None:
        with desk(tmp_path) as at:
            made = record_calibration(at.recorder, at.archive, self.task(at), at.hand)
            steps = at.archive.all(LoadStep, calibration_id=made.id)
            assert [step.series for step in steps] == 4 * [1] + 4 * [2] + 5 * [3]
            assert [step.mounting for step in steps] == 8 * [1] + 5 * [2]
            assert at.hand.asked[:3] == ["warm up 60", "bare", "arm +1"]
            assert "remount 180" in at.hand.asked
            (bare,) = at.archive.all(Zero)
            assert bare.joint_state == "bare rig"
            assert bare_zeros(at.archive, at.shop.session.id, at.task.settings) == [bare]
            assert isinstance(at.line(), LineFit)

    def test_the_second_arm_is_a_calibration_of_its_own_that_no_run_uses(self, tmp_path: Path) -> None:
        short = replace(arm(), id=fixed_id(31), name="short arm", length_m=0.5)
        with desk(tmp_path) as at:
            task = self.task(at, arms=(arm(), short))
            made = record_calibration(at.recorder, at.archive, task, at.hand, second_arm=short)
            first, second = candidates(at.archive)
            assert (first.calibration, second.side_of) == (made, made.id)
            assert (first.side_of, second.arm) == ("", short)
            assert [step.branch for step in second.steps] == ["zero", "up", "up", "zero"]
            assert isinstance(found := at.line(), LineFit)
            assert found.line.calibration_id == made.id
            assert second.fit().line.counts_per_nm == pytest.approx(2000.0, rel=1e-5)
            assert not any(sentence.startswith("One arm") for sentence in found.cannot_tell)
            assert any(second.calibration.id[:8] in sentence for sentence in found.cannot_tell)

    def test_stopped_before_the_second_arm_that_is_what_is_missing(self, tmp_path: Path) -> None:
        short = replace(arm(), id=fixed_id(31), name="short arm", length_m=0.5)
        with desk(tmp_path) as at:
            parts = begin_calibration(at.archive, self.task(at), short)
            assert find_unfinished(at.archive) == parts[0][1]
            go_on(at.recorder, at.archive, *parts[0], at.hand)
            assert find_unfinished(at.archive) == parts[1][1]

    @pytest.mark.parametrize(("second", "rating_nm", "words"), [
        ({}, None, "the second arm is long arm as well"),
        ({"id": fixed_id(31), "name": "crane", "length_m": 2.0}, None, "1 load stays within the torque"),
        ({"id": fixed_id(31), "name": "twig", "length_m": 0.5}, 40.0, "beyond the 40 N·m that twig"),
    ])  # fmt: skip
    def test_a_second_arm_that_will_not_do_is_refused_before_anything_hangs(
        self, tmp_path: Path, second: dict[str, object], rating_nm: float | None, words: str
    ) -> None:
        other = replace(arm(), **second)  # type: ignore[arg-type]
        with desk(tmp_path) as at:
            ratings = {} if rating_nm is None else {other.name: rating_nm}
            with pytest.raises(CalibrationError, match=words):
                begin_calibration(at.archive, self.task(at, ratings_nm=ratings), other)
            assert at.archive.all(Calibration) == []

    def test_a_measured_angle_is_kept_with_its_step(self, tmp_path: Path) -> None:
        with desk(tmp_path) as at:
            task = self.task(at)
            inventory = replace(task.inventory, manner=replace(task.inventory.manner, ask_angle=True))
            at.hand.angle_deg = 0.75
            made = record_calibration(at.recorder, at.archive, replace(task, inventory=inventory), at.hand)
            steps = at.archive.all(LoadStep, calibration_id=made.id)
            assert {step.angle_deg for step in steps if step.mass_ids} == {0.75}


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
