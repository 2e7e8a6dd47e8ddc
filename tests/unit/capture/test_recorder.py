"""One run recorded from a stand-in board into an archive: by plan, and with everything that goes wrong."""

from __future__ import annotations

import os
import re
from collections.abc import Callable
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np
import pytest
from standin import Script, StandIn
from workshop import Workshop, workshop

from anviltrace.archive import Archive
from anviltrace.capture.recorder import MAY_BE_LOOSE, Progress, Recorder
from anviltrace.capture.runset import Condition, Verdict, record_set
from anviltrace.capture.stages import Stage
from anviltrace.errors import ArchiveError, RecordError, SilentError, UnpluggedError
from anviltrace.link import session as session_module
from anviltrace.link.port import open_port
from anviltrace.link.session import Session
from anviltrace.records import Duty, Gap, GapCause, Plan, Run, RunKind, RunState, Start, Zero
from anvilwire import messages

pytestmark = pytest.mark.skipif(os.name != "posix", reason="the stand-in needs a pty")

RATE_HZ = 1000.0


@dataclass
class Hand:
    """Notes what it is asked to do; the tool strikes from ``drive`` on."""

    asked: list[str] = field(default_factory=list)

    def slacken(self) -> None:
        self.asked.append("slacken")

    def seat(self, tool: object, supply: object) -> None:  # noqa: ARG002
        self.asked.append("seat")

    def preset(self, plan: Plan) -> None:  # noqa: ARG002
        self.asked.append("preset")

    def drive(self, plan: Plan) -> None:  # noqa: ARG002
        self.asked.append("drive")

    def release(self) -> None:
        self.asked.append("release")

    def unseat(self) -> None:
        self.asked.append("unseat")


def struck_from(index_s: float) -> Callable[[np.ndarray], np.ndarray]:
    """Blows of 5 ms, 40 a second, from a time on; between them, every sample tells its index."""

    def signal(index: np.ndarray) -> np.ndarray:
        blow = (index >= index_s * RATE_HZ) & (index % 25 < 5)
        return np.where(blow, 1_000_000, index % 7).astype(np.int32)

    return signal


@dataclass
class Desk:
    """A stand-in board, a session with it, an archive, and a recorder between them."""

    board: StandIn
    archive: Archive
    recorder: Recorder
    shop: Workshop
    plan: Plan
    seen: list[Progress]
    hand: Hand = field(default_factory=Hand)

    def measure(self, **changes: object) -> Run:
        return self.recorder.measure(replace(self.plan, **changes), self.hand)  # type: ignore[arg-type]

    def only_run(self) -> Run:
        (run,) = self.archive.all(Run)
        return run

    def must_be_sound(self) -> None:
        assert self.archive.verify() == []


@contextmanager
def desk(folder: Path, script: Script | None = None, interfere: Callable[[Progress], None] | None = None):
    """A desk with a board that follows ``script``; ``interfere`` may spoil things as the run goes on."""
    script = script or Script(signal=struck_from(2.0))
    seen: list[Progress] = []

    def watch(progress: Progress) -> None:
        seen.append(progress)
        if interfere is not None:
            interfere(progress)

    with (
        StandIn(script) as board,
        Archive.open(folder / "bench.anviltrace", create=True) as archive,
        Session(open_port(board.url)) as link,
    ):
        settings = link.configure(RATE_HZ)
        shop = replace(workshop(), settings=settings)
        shop.put_into(archive)
        plan = replace(shop.plan, drive_s=2.0, zero_s=0.5, repeats=1, marks_s=())
        recorder = Recorder(link, archive, settings, shop.session.id, watch)
        yield Desk(board, archive, recorder, shop, plan, seen)


@pytest.fixture
def impatient(monkeypatch: pytest.MonkeyPatch) -> None:
    """Silence is noticed soon."""
    monkeypatch.setattr(session_module, "SILENCE_S", 0.4)
    monkeypatch.setattr(session_module, "REPLY_S", 0.05)


class TestByPlan:
    def test_a_run_is_whole_and_says_how_it_went(self, tmp_path: Path) -> None:
        script = Script(signal=struck_from(2.0), true_rate=1.003)
        with desk(tmp_path, script) as at:
            run = at.measure()
            counts = at.archive.counts(run.id)
            np.testing.assert_array_equal(counts, script.signal(np.arange(len(counts))))
            assert (run.state, run.end_reason) == (RunState.FINISHED, "ended by plan")
            assert run.samples == run.samples_total == len(counts)
            assert run.onset_index == 2000
            assert run.release_index == pytest.approx(4000, abs=RATE_HZ)
            assert run.samples >= 5000
            assert run.rate_hz == pytest.approx(1003.0, abs=0.01)
            assert at.archive.gaps(run.id) == []
            assert at.hand.asked == ["drive", "release"]
            at.must_be_sound()

    def test_progress_goes_through_all_stages(self, tmp_path: Path) -> None:
        with desk(tmp_path) as at:
            at.measure()
            stages = list(dict.fromkeys(progress.stage for progress in at.seen))
            assert stages[0] is Stage.QUIET
            assert stages[-1] is Stage.DONE
            assert any(progress.onset_found for progress in at.seen)
            assert all(progress.seconds_left >= 0 for progress in at.seen)

    def test_no_onset_ends_the_run_and_is_no_error(self, tmp_path: Path) -> None:
        with desk(tmp_path, Script()) as at:
            at.board.script.signal = lambda index: (index % 5).astype(np.int32)
            run = at.measure(onset_limit_s=3.0)
            assert run.state is RunState.FINISHED
            assert "no onset within 3 s" in run.end_reason
            assert run.onset_index is None
            assert at.hand.asked == ["drive", "release"]

    @pytest.mark.parametrize(
        ("duty", "kind"), [(Duty.TIGHTENING, "early release"), (Duty.LOOSENING, MAY_BE_LOOSE)]
    )
    def test_blows_that_end_early_are_noted_as_what_they_may_mean(
        self, tmp_path: Path, duty: Duty, kind: str
    ) -> None:
        struck = struck_from(2.0)
        ended = Script(signal=lambda index: np.where(index < 3000, struck(index), index % 7).astype(np.int32))
        with desk(tmp_path, ended) as at:
            run = at.measure(duty=duty)
            (notice,) = at.archive.notices(run.id)
            assert notice.kind == kind
            assert re.fullmatch(r"blows ended \d\.\d\d s before the signal", notice.text)

    def test_a_bridge_wired_the_other_way_round_becomes_a_notice(self, tmp_path: Path) -> None:
        right = struck_from(2.0)
        with desk(tmp_path, Script(signal=lambda index: -right(index))) as at:
            run = at.measure()
            assert run.onset_index == 2000
            assert [notice.kind for notice in at.archive.notices(run.id)] == ["polarity"]

    def test_a_zero_reading(self, tmp_path: Path) -> None:
        with desk(tmp_path, Script(signal=lambda index: (100 + index % 2).astype(np.int32))) as at:
            zero = at.recorder.zero(0.5)
            run = at.archive.get(Run, zero.run_id)
            assert run.kind is RunKind.ZERO
            assert zero.samples == run.samples >= 500
            assert zero.mean_counts == pytest.approx(100.5)
            assert zero.sd_counts == pytest.approx(0.5, rel=0.01)


class TestLosses:
    def test_lost_and_damaged_blocks_are_gaps_with_exact_bounds(self, tmp_path: Path) -> None:
        def spoil(number: int, wire: bytes) -> bytes:
            if number in (3, 4):
                return b""
            return wire[:60] + bytes([wire[60] ^ 0x11 or 1]) + wire[61:] if number == 9 else wire

        with desk(tmp_path, Script(signal=struck_from(2.0), spoil=spoil)) as at:
            run = at.measure()
            assert at.archive.gaps(run.id) == [
                Gap(run.id, 3 * 256, 512, GapCause.LINK, 0),
                Gap(run.id, 9 * 256, 256, GapCause.LINK, 0),
            ]
            assert run.state is RunState.FINISHED
            assert run.samples + 768 == run.samples_total
            kinds = {notice.kind for notice in at.archive.notices(run.id)}
            assert kinds == {"damage", "incomplete"}
            at.must_be_sound()

    def test_what_is_lost_once_comes_again_and_the_run_says_so(self, tmp_path: Path) -> None:
        lost = [3, 4, 9, 19]

        def spoil(number: int, wire: bytes) -> bytes:
            if number not in lost:
                return wire
            lost.remove(number)
            return b""

        with desk(tmp_path, Script(signal=struck_from(2.0), spoil=spoil, window=63)) as at:
            run = at.measure()
            counts = at.archive.counts(run.id)
            np.testing.assert_array_equal(counts, at.board.script.signal(np.arange(len(counts))))
            assert at.archive.gaps(run.id) == []
            assert run.samples == run.samples_total
            notices = {notice.kind: notice.text for notice in at.archive.notices(run.id)}
            assert notices["recovered"].startswith("4 blocks were lost or damaged on the link and came")
            assert "incomplete" not in notices
            at.must_be_sound()

    def test_what_the_board_no_longer_has_is_a_gap_beside_what_came_again(self, tmp_path: Path) -> None:
        lost = [3, 17]

        def spoil(number: int, wire: bytes) -> bytes:
            if number == 3:
                return b""
            if number in lost:
                lost.remove(number)
                return b""
            return wire

        with desk(tmp_path, Script(signal=struck_from(2.0), spoil=spoil, window=6)) as at:
            run = at.measure()
            assert at.archive.gaps(run.id)[0] == Gap(run.id, 3 * 256, 256, GapCause.LINK, 0)
            notices = {notice.kind: notice.text for notice in at.archive.notices(run.id)}
            assert re.match(
                r"\d+ of \d+ samples are missing: \d+ on the link, \d of \d+ blocks", notices["incomplete"]
            )
            at.must_be_sound()

    def test_converter_losses_are_gaps_to_one_sample(self, tmp_path: Path) -> None:
        with desk(tmp_path, Script(signal=struck_from(2.0), lose={5: 7})) as at:
            run = at.measure()
            assert at.archive.gaps(run.id) == [Gap(run.id, 5 * 256, 7, GapCause.CONVERTER, 1)]
            assert run.samples + 7 == run.samples_total
            at.must_be_sound()

    def test_what_the_board_says_becomes_a_notice(self, tmp_path: Path) -> None:
        with desk(tmp_path, Script(signal=struck_from(2.0), text_at={2: b"brown-out?\r\n"})) as at:
            run = at.measure()
            assert [(n.kind, n.text) for n in at.archive.notices(run.id)] == [("text", "brown-out?\r\n")]


class TestInterrupted:
    """Whatever ends a run early, everything received is kept, sealed, and says why."""

    def test_unplugged(self, tmp_path: Path) -> None:
        with desk(tmp_path, Script(signal=struck_from(2.0), unplug_at=12)) as at:
            with pytest.raises(UnpluggedError):
                at.measure()
            run = at.only_run()
            assert run.state is RunState.INTERRUPTED
            assert "gone away" in run.end_reason
            assert run.samples == 12 * 256
            assert run.samples_total is None
            assert run.onset_index == 2000
            assert at.hand.asked == ["drive", "release"]
            at.must_be_sound()

    @pytest.mark.usefixtures("impatient")
    def test_silent(self, tmp_path: Path) -> None:
        with desk(tmp_path, Script(signal=struck_from(2.0), silent_at=6)) as at:
            with pytest.raises(SilentError):
                at.measure()
            run = at.only_run()
            assert (run.state, run.samples) == (RunState.INTERRUPTED, 6 * 256)
            assert "silent" in run.end_reason
            at.must_be_sound()

    def test_the_board_ended_it(self, tmp_path: Path) -> None:
        script = Script(signal=struck_from(2.0), end_at=(8, messages.CONVERTER_FAULT))
        with desk(tmp_path, script) as at:
            with pytest.raises(RecordError, match="the converter failed"):
                at.measure()
            run = at.only_run()
            assert (run.state, run.samples, run.samples_total) == (RunState.INTERRUPTED, 2048, 2048)
            at.must_be_sound()

    def test_stopped_by_the_operator(self, tmp_path: Path) -> None:
        def stop(progress: Progress) -> None:
            if progress.onset_found:
                raise KeyboardInterrupt

        with desk(tmp_path, interfere=stop) as at:
            with pytest.raises(KeyboardInterrupt):
                at.measure()
            run = at.only_run()
            assert (run.state, run.end_reason) == (RunState.INTERRUPTED, "stopped by the operator")
            assert run.samples == run.samples_total  # also what was still on the way
            assert not at.board.streaming
            assert at.hand.asked == ["drive", "release"]
            at.must_be_sound()

    def test_an_error_of_our_own(self, tmp_path: Path) -> None:
        def fail(progress: Progress) -> None:
            if progress.samples > 1000:
                raise ZeroDivisionError("planted")

        with desk(tmp_path, interfere=fail) as at:
            with pytest.raises(ZeroDivisionError):
                at.measure()
            run = at.only_run()
            assert (run.state, run.end_reason) == (RunState.INTERRUPTED, "planted")
            assert run.samples == run.samples_total
            assert not at.board.streaming

    def test_the_disk_is_full(self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
        from anviltrace.archive.recording import Recording

        whole = Recording.append

        def full(self: Recording, first_index: int, samples: np.ndarray) -> None:
            if first_index > 2000:
                raise ArchiveError("the disk is full: make room")
            whole(self, first_index, samples)

        with desk(tmp_path) as at:
            monkeypatch.setattr(Recording, "append", full)
            with pytest.raises(ArchiveError, match="make room"):
                at.measure()
            run = at.only_run()
            assert run.state is RunState.INTERRUPTED
            assert not at.board.streaming
            at.must_be_sound()

    def test_the_next_run_is_none_the_worse(self, tmp_path: Path) -> None:
        def stop_first(progress: Progress) -> None:
            if progress.samples > 500 and not stopped:
                stopped.append(True)
                raise KeyboardInterrupt

        stopped: list[bool] = []
        with desk(tmp_path, interfere=stop_first) as at:
            with pytest.raises(KeyboardInterrupt):
                at.measure()
            run = at.measure()
            assert run.state is RunState.FINISHED
            assert at.archive.pieces(run.id)[0][0] == 0
            at.must_be_sound()


class TestSet:
    def record(self, at: Desk, judge: Callable[[Run], Verdict], **changes: object):
        plan = replace(at.plan, id="00000000-0000-4000-8000-0000000000aa", **changes)
        condition = Condition(plan, at.shop.tool, at.shop.supply, "fresh", at.shop.fitting)
        rests: list[float] = []
        done = record_set(at.recorder, at.archive, condition, at.hand, judge, rests.append)
        return done, rests

    def test_repeats_with_rest_and_zero_readings_around(self, tmp_path: Path) -> None:
        with desk(tmp_path) as at:
            done, rests = self.record(at, lambda _: Verdict(True), repeats=2, rest_s=30.0)
            assert rests == [30.0]
            assert [run.repeat for run in done.runs] == [1, 2]
            assert {run.set_id for run in done.runs} == {done.set_id}
            assert {run.supply_state for run in done.runs} == {"fresh"}
            assert [zero.id for zero in at.archive.all(Zero)] == [zero.id for zero in done.zeros]
            assert len(done.zeros) == 3
            assert at.hand.asked == [
                *("slacken", "seat", "drive", "release"),
                *("slacken", "drive", "release"),
                *("slacken", "unseat"),
            ]

    def test_discarding_keeps_the_data_and_the_reason(self, tmp_path: Path) -> None:
        with desk(tmp_path) as at:
            done, _ = self.record(at, lambda _: Verdict(False, "socket slipped"))
            (run,) = done.runs
            (decision,) = at.archive.decisions(run.id)
            assert (decision.verdict, decision.reason) == ("discard", "socket slipped")
            assert len(at.archive.counts(run.id)) == run.samples > 0

    def test_a_preset_joint_is_preset_after_the_zero_reading(self, tmp_path: Path) -> None:
        with desk(tmp_path) as at:
            self.record(at, lambda _: Verdict(True), start=Start.PRESET)
            assert at.hand.asked[:4] == ["slacken", "seat", "preset", "drive"]
