"""A burst recorded into an archive: what triggers it, what nothing triggers, what is broken off."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import pytest
from workshop import workshop

from anviltrace.archive import Archive
from anviltrace.capture.bursts import COMPLETE, BurstWish, trigger_level
from anviltrace.capture.recorder import Recorder
from anviltrace.capture.stages import Stage
from anviltrace.errors import PlanError
from anviltrace.link.port import open_port
from anviltrace.link.session import Session
from anviltrace.records import Plan, Run, RunKind, RunState, Settings

RATE_HZ = 7500.0


@dataclass
class Hand:
    """Drives by calling what it was given; lets go when told."""

    when_driving: Callable[[], None]
    asked: list[str]

    def drive(self, plan: Plan) -> None:  # noqa: ARG002
        self.asked.append("drive")
        self.when_driving()

    def release(self) -> None:
        self.asked.append("release")


@dataclass
class Desk:
    archive: Archive
    recorder: Recorder
    operator: object
    plan: Plan
    stages: list[Stage]
    settings: Settings

    def measurement(self) -> Run:
        (run,) = [run for run in self.archive.all(Run) if run.kind is RunKind.MEASUREMENT]
        return run


@contextmanager
def desk(folder: Path, wish: BurstWish) -> Iterator[Desk]:
    stages: list[Stage] = []
    with (
        Archive.open(folder / "bench.anviltrace", create=True) as archive,
        Session(open_port("virtual://fishplate-held?seed=3&interpreter=cpython")) as link,
    ):
        settings = link.configure(RATE_HZ)
        shop = replace(workshop(), settings=settings)
        shop.put_into(archive)
        plan = replace(shop.plan, before_s=0.3, zero_s=0.2, onset_limit_s=2.0, marks_s=())
        recorder = Recorder(
            link, archive, settings, shop.session.id, lambda progress: stages.append(progress.stage), wish
        )
        link.port.operator.seat("Ostrelby", "fresh pack")
        yield Desk(archive, recorder, link.port.operator, plan, stages, settings)
        assert archive.verify() == []


def test_the_first_blow_is_where_it_was_asked_for(tmp_path: Path) -> None:
    with desk(tmp_path, BurstWish(length_s=0.5, before_share=0.2)) as at:
        at.recorder.zero(at.plan.zero_s)
        at.stages.clear()
        hand = Hand(lambda: at.operator.drive(at.plan.rotation), [])
        run = at.recorder.measure(at.plan, hand)
        assert hand.asked == ["drive", "release"]
        assert list(dict.fromkeys(at.stages)) == [Stage.QUIET, Stage.DRIVE, Stage.RELEASE, Stage.DONE]
        assert (run.state, run.end_reason) == (RunState.FINISHED, COMPLETE)
        # 0.5 s are 15 blocks of 256, 3 of them before the block with the trigger
        assert run.samples == run.samples_total == 15 * 256
        counts = at.archive.counts(run.id)
        rest = counts[: 2 * 256].mean()
        beyond = np.flatnonzero(np.abs(counts - rest) > trigger_level(at.settings, 0.0))
        assert 3 * 256 <= beyond[0] < 4 * 256
        assert run.onset_index is not None
        assert 0 <= beyond[0] - run.onset_index <= 0.01 * RATE_HZ + 1
        assert run.first_index == 0
        assert at.archive.gaps(run.id) == []


def test_nothing_triggers_it_in_time(tmp_path: Path) -> None:
    with desk(tmp_path, BurstWish(length_s=0.3)) as at:
        run = at.recorder.measure(at.plan, Hand(lambda: None, []))
        assert run.state is RunState.FINISHED
        assert run.end_reason == "nothing triggered the burst within 2 s of the signal to drive"
        assert run.onset_index is None
        assert run.samples == run.samples_total
        assert 8 * 256 < run.samples <= 9 * 256  # the last block is cut short by the stop
        (notice,) = at.archive.notices(run.id)
        assert notice.text.endswith("nothing triggered it")


def test_what_is_there_when_it_is_broken_off_is_kept(tmp_path: Path) -> None:
    def break_off() -> None:
        raise KeyboardInterrupt

    with desk(tmp_path, BurstWish(length_s=0.3)) as at:
        with pytest.raises(KeyboardInterrupt):
            at.recorder.measure(at.plan, Hand(break_off, []))
        run = at.measurement()
        assert (run.state, run.end_reason) == (RunState.INTERRUPTED, "stopped by the operator")
        assert run.samples == run.samples_total
        assert run.samples > 7 * 256
        assert at.archive.gaps(run.id) == []
        assert [notice.kind for notice in at.archive.notices(run.id)] == ["burst"]


def test_a_burst_longer_than_the_memory_is_refused_before_the_run(tmp_path: Path) -> None:
    with desk(tmp_path, BurstWish(length_s=3.0)) as at:
        with pytest.raises(PlanError, match="2185 ms"):
            at.recorder.measure(at.plan, Hand(lambda: None, []))
        assert at.archive.all(Run) == []
