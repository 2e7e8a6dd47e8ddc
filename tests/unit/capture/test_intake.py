"""What is missing is known as exactly as it can be."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from workshop import workshop

from anviltrace.capture.intake import Intake
from anviltrace.link.stream import BLOCK_TABLE
from anviltrace.records import Gap, GapCause
from anvilwire import messages

COUNT = 10
RUN = 7


@dataclass
class Ledger:
    """Keeps what an intake hands over, and insists on the order a recording insists on."""

    next_index: int = 0
    pieces: list[tuple[int, list[int]]] = field(default_factory=list)
    gaps: list[Gap] = field(default_factory=list)
    notices: list[tuple[str, int | None]] = field(default_factory=list)

    def append(self, first_index: int, samples: np.ndarray) -> None:
        assert first_index == self.next_index
        self.pieces.append((first_index, samples.tolist()))
        self.next_index += len(samples)

    def gap(self, gap: Gap) -> None:
        assert gap.first_index == self.next_index
        self.gaps.append(gap)
        self.next_index += gap.count

    def notice(self, kind: str, text: str, at_index: int | None = None) -> None:  # noqa: ARG002
        self.notices.append((kind, at_index))


@dataclass
class Board:
    """Makes blocks of a run in which the converter now and then loses samples."""

    number: int = 0
    next_index: int = 0
    lost: int = 0

    def block(self, lose: int = 0, flags: int = 0, run_id: int = RUN) -> tuple[np.ndarray, np.ndarray]:
        self.lost += lose
        first = self.next_index + lose
        self.next_index = first + COUNT
        flags |= messages.BLOCK_AFTER_LOSS if lose else 0
        row = (
            run_id,
            self.number,
            first,
            first * 100,
            (first + 9) * 100,
            COUNT,
            3,
            1,
            flags,
            self.lost,
            4711,
        )
        self.number += 1
        return np.array([row], BLOCK_TABLE), np.arange(first, first + COUNT, dtype=np.int32)


def intake() -> tuple[Intake, Ledger]:
    ledger = Ledger()
    return Intake(ledger, "run", RUN, workshop().settings), ledger


def joined(blocks: list[tuple[np.ndarray, np.ndarray]]) -> tuple[np.ndarray, np.ndarray]:
    return np.concatenate([table for table, _ in blocks]), np.concatenate([samples for _, samples in blocks])


def test_a_whole_run_has_no_gap() -> None:
    taker, ledger = intake()
    board = Board()
    stretches = taker.take(*joined([board.block() for _ in range(5)]))
    taker.close(board.next_index, board.lost, board.number)
    assert [(first, len(counts)) for first, counts in stretches] == [(0, 50)]
    assert ledger.pieces == [(0, list(range(50)))]
    assert ledger.gaps == []


@pytest.mark.parametrize("whole_read", [True, False], ids=["in one read", "block by block"])
def test_lost_blocks_are_an_exact_gap(whole_read: bool) -> None:
    taker, ledger = intake()
    board = Board()
    blocks = [board.block() for _ in range(6)]
    kept = [blocks[0], blocks[3], blocks[4], blocks[5]]
    for part in [joined(kept)] if whole_read else kept:
        taker.take(*part)
    assert ledger.gaps == [Gap("run", 10, 20, GapCause.LINK, 0)]


def test_what_the_converter_lost_is_known_to_one_sample() -> None:
    taker, ledger = intake()
    board = Board()
    taker.take(*joined([board.block(), board.block(lose=4), board.block()]))
    assert ledger.gaps == [Gap("run", 10, 4, GapCause.CONVERTER, 1)]


def test_a_converter_loss_within_lost_blocks_blurs_the_bounds() -> None:
    taker, ledger = intake()
    board = Board()
    blocks = [board.block(), board.block(lose=4), board.block()]
    taker.take(*joined([blocks[0], blocks[2]]))
    assert ledger.gaps == [Gap("run", 10, 14, GapCause.LINK, 1)]


def test_each_converter_loss_within_lost_blocks_counts() -> None:
    taker, ledger = intake()
    board = Board()
    blocks = [board.block(), board.block(lose=4), board.block(), board.block(lose=1), board.block(lose=2)]
    taker.take(*joined([blocks[0], blocks[4]]))
    # three blocks are missing, and the one that came begins after a loss: at most four losses, and there were
    # three; seven samples would allow more
    assert ledger.gaps == [Gap("run", 10, 37, GapCause.LINK, 4)]


def test_the_first_and_the_last_blocks_may_be_missing() -> None:
    taker, ledger = intake()
    board = Board()
    blocks = [board.block() for _ in range(5)]
    taker.take(*joined(blocks[1:4]))
    taker.close(board.next_index, board.lost, board.number)
    assert ledger.gaps == [Gap("run", 0, 10, GapCause.LINK, 0), Gap("run", 40, 10, GapCause.LINK, 0)]


def test_samples_lost_by_the_converter_at_the_very_end() -> None:
    taker, ledger = intake()
    board = Board()
    taker.take(*board.block())
    taker.close(board.next_index + 3, 3, board.number)
    assert ledger.gaps == [Gap("run", 10, 3, GapCause.CONVERTER, 1)]


def test_nothing_at_all_arrived() -> None:
    taker, ledger = intake()
    taker.close(30, 0, 3)
    assert ledger.gaps == [Gap("run", 0, 30, GapCause.LINK, 0)]
    assert [len(part) for part in taker.ticks()] == [0, 0]


def test_blocks_of_another_run_and_blocks_that_come_twice_are_left_out() -> None:
    taker, ledger = intake()
    board = Board()
    first, strange, second = board.block(), Board().block(run_id=RUN + 1), board.block()
    taker.take(*joined([strange, first, strange]))
    taker.take(*first)
    taker.take(*second)
    assert ledger.pieces == [(0, list(range(10))), (10, list(range(10, 20)))]
    assert ledger.gaps == []


def test_saturated_samples_are_counted() -> None:
    taker, _ = intake()
    table, samples = Board().block(flags=messages.BLOCK_SATURATED)
    samples[3:5] = 8_388_607
    samples[7] = -8_388_608
    taker.take(table, samples)
    assert taker.saturated == 3


def test_doubtful_readings_become_a_notice() -> None:
    taker, ledger = intake()
    board = Board()
    taker.take(*joined([board.block(), board.block(flags=messages.BLOCK_GLITCH)]))
    assert ledger.notices == [("doubtful", 10)]


def test_ticks_of_first_and_last_samples() -> None:
    taker, _ = intake()
    board = Board()
    taker.take(*joined([board.block(), board.block(lose=5)]))
    index, ticks = taker.ticks()
    assert index.tolist() == [0, 9, 15, 24]
    assert ticks.tolist() == [0, 900, 1500, 2400]


@given(
    fate=st.lists(st.tuples(st.booleans(), st.integers(0, 3)), min_size=1, max_size=40),
    reads=st.integers(1, 7),
)
def test_samples_and_gaps_always_add_up(fate: list[tuple[bool, int]], reads: int) -> None:
    taker, ledger = intake()
    board = Board()
    arrived = [made for kept, lose in fate if (made := board.block(lose)) and kept]
    for at in range(0, len(arrived), reads):
        taker.take(*joined(arrived[at : at + reads]))
    taker.close(board.next_index, board.lost, board.number)
    assert ledger.next_index == board.next_index
    for first, counts in ledger.pieces:
        assert counts == list(range(first, first + len(counts)))
    assert sum(len(counts) for _, counts in ledger.pieces) == COUNT * len(arrived)
    assert all(gap.uncertainty == (gap.cause is GapCause.CONVERTER) for gap in ledger.gaps if not board.lost)
