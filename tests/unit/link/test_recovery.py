"""Blocks come out in order, each once; what is missing is asked for, and given up when it cannot be had."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from anviltrace.link.events import Recovered
from anviltrace.link.recovery import ANSWER_S, ASK_MOST, TRIES, Recovery
from anviltrace.link.stream import BLOCK_TABLE

COUNT = 4


def block(*numbers: int) -> tuple[np.ndarray, np.ndarray]:
    """Blocks with these numbers, whose samples tell the number."""
    table = np.zeros(len(numbers), BLOCK_TABLE)
    table["number"], table["count"] = numbers, COUNT
    return table, np.repeat(np.array(numbers, np.int32), COUNT)


def came(recovery: Recovery) -> list[int]:
    """Numbers of the blocks whose turn has come; their samples belong to them."""
    numbers: list[int] = []
    for blocks in recovery.ready():
        np.testing.assert_array_equal(blocks.samples, np.repeat(blocks.table["number"], COUNT))
        numbers += blocks.table["number"].tolist()
    return numbers


def test_what_comes_in_order_goes_on_at_once() -> None:
    recovery = Recovery(63)
    recovery.take(*block(0, 1, 2), 0.0)
    assert came(recovery) == [0, 1, 2]
    assert recovery.wish(0.0) is None
    recovery.end(3, 0)
    assert recovery.done
    assert recovery.counts == Recovered(0, 0, 0)


def test_a_hole_holds_back_what_follows_until_it_is_filled() -> None:
    recovery = Recovery(63)
    recovery.take(*block(0, 3, 4), 0.0)
    assert came(recovery) == [0]
    assert recovery.wish(0.0) == (1, 2)
    assert recovery.wish(ANSWER_S / 2) is None  # it is on the way
    recovery.take(*block(5, 1), 0.05)
    assert came(recovery) == [1]
    recovery.take(*block(2), 0.06)
    assert came(recovery) == [2, 3, 4, 5]
    assert recovery.counts == Recovered(2, 0, 0)


def test_the_next_hole_is_asked_for_without_waiting() -> None:
    recovery = Recovery(63)
    recovery.take(*block(0, 2, 4), 0.0)
    assert recovery.wish(0.0) == (1, 1)
    recovery.take(*block(1), 0.01)
    assert recovery.wish(0.01) == (3, 1)


def test_a_hole_that_stays_is_asked_for_again_and_given_up_in_the_end() -> None:
    recovery = Recovery(63)
    recovery.take(*block(0, 2), 0.0)
    now_s, asked = 0.0, 0
    while recovery.wish(now_s) is not None:
        asked, now_s = asked + 1, now_s + ANSWER_S
    assert asked == TRIES
    assert came(recovery) == [0, 2]
    assert recovery.counts == Recovered(0, 0, 1)
    recovery.take(*block(1), now_s)  # too late
    assert came(recovery) == []


def test_what_the_board_no_longer_has_is_given_up_at_once() -> None:
    recovery = Recovery(63)
    recovery.take(*block(0, 4, 7), 0.0)
    assert recovery.wish(0.0) == (1, 3)
    recovery.answered(oldest=3)
    assert came(recovery) == [0]
    recovery.take(*block(3), 0.0)
    assert came(recovery) == [3, 4]
    assert recovery.counts == Recovered(1, 0, 2)
    recovery.answered(oldest=7)
    assert came(recovery) == [7]


def test_a_board_that_keeps_nothing_is_not_asked() -> None:
    recovery = Recovery(0)
    recovery.take(*block(0, 2), 0.0)
    assert came(recovery) == [0, 2]
    assert recovery.wish(0.0) is None
    recovery.end(5, 0)
    assert recovery.done
    assert recovery.counts.gone == 3


def test_a_board_that_refuses_is_not_asked_again() -> None:
    recovery = Recovery(63)
    recovery.take(*block(1), 0.0)
    assert recovery.wish(0.0) == (0, 1)
    recovery.refused()
    assert came(recovery) == [1]
    recovery.take(*block(3), 9.0)
    assert came(recovery) == [3]
    assert recovery.wish(9.0) is None


def test_the_tail_is_known_to_be_missing_from_the_totals() -> None:
    recovery = Recovery(63)
    recovery.take(*block(0, 1), 0.0)
    recovery.end(4, 0)
    assert not recovery.done
    assert recovery.wish(0.0) == (2, 2)
    recovery.take(*block(2, 3), 0.1)
    assert came(recovery) == [0, 1, 2, 3]
    assert recovery.done


def test_a_burst_comes_only_when_asked_for_and_begins_anywhere() -> None:
    recovery = Recovery(63, is_burst=True)
    assert recovery.wish(0.0) is None
    recovery.end(300, 236)
    assert recovery.wish(0.0) == (236, 64)
    recovery.take(*block(236, 238, 239), 0.0)
    recovery.take(*block(*range(240, 300)), 0.0)
    assert came(recovery) == [236]
    assert recovery.wish(ANSWER_S) == (237, 1)
    recovery.take(*block(237), 0.2)
    assert came(recovery) == list(range(237, 300))
    assert recovery.done
    assert recovery.counts == Recovered(0, 0, 0)


def test_long_holes_are_asked_for_in_parts() -> None:
    recovery = Recovery(63)
    recovery.take(*block(1000), 0.0)
    assert recovery.wish(0.0) == (0, ASK_MOST)


@pytest.mark.parametrize("seed", range(20))
def test_giving_up_hands_on_all_that_came(seed: int) -> None:
    random = np.random.default_rng(seed)
    kept = np.flatnonzero(random.random(50) < 0.6)
    recovery = Recovery(63)
    recovery.take(*block(*random.permutation(kept).tolist()), 0.0)
    recovery.give_up()
    assert came(recovery) == kept.tolist()


@given(
    lost=st.sets(st.integers(0, 39)),
    gone=st.integers(0, 40),
    reads=st.integers(1, 9),
    repeat=st.booleans(),
)
def test_every_block_that_can_be_had_comes_once_and_in_order(
    lost: set[int], gone: int, reads: int, repeat: bool
) -> None:
    """The board has all blocks from ``gone`` on; those in ``lost`` are lost the first time."""
    recovery = Recovery(63)
    live = [number for number in range(40) if number not in lost]
    found: list[int] = []
    now_s = 0.0
    for at in range(0, len(live), reads):
        recovery.take(*block(*live[at : at + reads]), now_s)
        if repeat:
            recovery.take(*block(*live[at : at + reads]), now_s)
        found += came(recovery)
    recovery.end(40, 0)
    while not recovery.done:
        wish = recovery.wish(now_s)
        if wish is not None:
            recovery.answered(gone)
            again = [number for number in range(wish[0], sum(wish)) if number >= gone]
            if again:
                recovery.take(*block(*again), now_s)
        found += came(recovery)
        now_s += ANSWER_S
    assert found == [number for number in range(40) if number not in lost or number >= gone]
    assert recovery.counts.gone == len([number for number in lost if number < gone])
    assert recovery.counts.recovered + recovery.counts.gone == len(lost)
