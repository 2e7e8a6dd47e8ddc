"""Readings summed up second by second."""

from __future__ import annotations

import contextlib
import os
from itertools import islice

import numpy as np
import pytest
from standin import Script, StandIn

from anviltrace.errors import RecordError
from anviltrace.link.events import Event, Text
from anviltrace.link.port import open_port
from anviltrace.link.session import Session
from anviltrace.link.watching import Look, unit_per_count, watch
from anvilwire import messages

pytestmark = pytest.mark.skipif(os.name != "posix", reason="the stand-in needs a pty")

EVERY_S = 0.25  # 250 samples of the stand-in: no whole number of blocks


def looks(script: Script, count: int, told: list[Event] | None = None) -> list[Look]:
    with StandIn(script) as board, Session(open_port(board.url)) as session:
        settings = session.configure(1000.0)
        tell = [].append if told is None else told.append
        with contextlib.closing(watch(session, settings, EVERY_S, tell)) as found:
            seen = list(islice(found, count))
        assert not board.streaming
    return seen


def test_stretches_are_cut_by_samples() -> None:
    seen = looks(Script(), 4)  # a sample's value is its index
    for number, look in enumerate(seen):
        values = np.arange(250 * number, 250 * number + 250)
        assert (look.samples, look.end_s) == (250, pytest.approx(0.25 * (number + 1)))
        assert look.mean_counts == values.mean()
        assert look.noise_counts == pytest.approx(values.std(ddof=1))
        assert (look.lowest_counts, look.highest_counts) == (values[0], values[-1])
        assert (look.saturated, look.lost) == (0, 0)


def test_the_rate_is_that_of_the_boards_clock() -> None:
    assert looks(Script(true_rate=1.03), 6)[-1].rate_hz == pytest.approx(1030.0, rel=1e-4)


def test_losses_and_limits_are_counted() -> None:
    script = Script(lose={1: 40}, signal=lambda index: np.where(index % 2, 8_388_607, 5).astype(np.int32))
    seen = looks(script, 6)
    assert sum(look.lost for look in seen) == 40
    assert sum(look.samples for look in seen) == 6 * 250 - 40
    assert [look.saturated for look in seen if look.samples == 250] == [125] * 5


def test_a_loss_longer_than_a_stretch() -> None:
    seen = looks(Script(lose={1: 1000}), 2)
    assert seen[0].end_s == 0.25
    assert seen[1].lost == 1000
    assert seen[1].lowest_counts == 250


def test_what_the_board_says_is_passed_on() -> None:
    told: list[Event] = []
    looks(Script(text_at={1: b"it is warm\r\n"}), 4, told)
    assert any(isinstance(event, Text) and "warm" in event.text for event in told)


def test_a_run_that_the_board_ends() -> None:
    with pytest.raises(RecordError, match="the board ended the run: the converter failed"):
        looks(Script(end_at=(2, messages.CONVERTER_FAULT)), 9)


def test_a_count_in_its_best_unit() -> None:
    with Session(open_port("virtual://deadweight-hx711?interpreter=cpython")) as session:
        divided = session.configure()
    with Session(open_port("virtual://fishplate-held?interpreter=cpython")) as session:
        measured = session.configure()
    with StandIn() as board, Session(open_port(board.url)) as session:
        nominal = session.configure(1000.0, 64)
    assert unit_per_count(divided) == (pytest.approx(500 / 128 / 2**23), "mV/V")
    assert measured.excitation_v is not None
    assert unit_per_count(measured) == (pytest.approx(78.125 / measured.excitation_v / 8_388_607), "mV/V")
    assert unit_per_count(nominal) == (pytest.approx(78.125 / 8_388_607), "mV")
