"""What a link has to carry, and what a burst may be."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from standin import Script, StandIn

from anviltrace.errors import PlanError, RefusedError
from anviltrace.link.burst import (
    Burst,
    from_its_first_block,
    must_carry,
    needed_bytes_per_s,
    plan_burst,
    tight,
    totals_from_its_first_block,
    why_not_carried,
)
from anviltrace.link.events import Totals
from anviltrace.link.port import open_port
from anviltrace.link.session import Session
from anviltrace.link.stream import BLOCK_TABLE
from anvilwire import frame, messages


def board(carried: int | None, samples: int = 16_384) -> Any:
    return SimpleNamespace(link_bytes_per_s=carried, burst_samples=samples, block_samples=256)


@pytest.mark.parametrize(("rate_hz", "samples", "blocks_per_s"), [(7680.0, 256, 30), (320.0, 16, 20)])
def test_the_need_is_that_of_real_frames(rate_hz: float, samples: int, blocks_per_s: int) -> None:
    # a block's frame from the codec itself, with samples that hold no zero byte (the worst for COBS)
    header = {name: 0x1111 for name, _ in messages.FIELDS[messages.BLOCK]}
    header |= {"sample_bytes": 3, "channels": 1, "number": 0x11111111, "first_index": 0x11111111}
    wire = frame.build(
        messages.BLOCK, 0x1111, messages.pack(messages.BLOCK, **header) + b"\x11" * 3 * samples
    )
    assert needed_bytes_per_s(rate_hz) == pytest.approx(len(wire) * blocks_per_s, rel=0.01)


def test_a_uart_of_921600_carries_15_but_not_30_kilosamples() -> None:
    # 8 data bits with start and stop bit: 92160 bytes/s
    assert why_not_carried(board(92_160), 15_000.0) == ""
    with pytest.raises(
        RefusedError, match=r"95273 bytes/s .* 92160: .* 546 ms \(anviltrace capture --burst\)"
    ):
        must_carry(board(92_160), 30_000.0)
    must_carry(board(None), 30_000.0)  # USB: nobody knows
    assert tight(board(92_160), 15_000.0) == ""
    assert "little is left" in tight(board(50_000), 15_000.0)


def test_a_burst_is_whole_blocks_and_fits_the_memory() -> None:
    assert plan_burst(board(None), 30_000.0, None, 0.25, 500) == Burst(64, 16, 500)
    assert plan_burst(board(None), 30_000.0, 0.1, 0.25, 500) == Burst(12, 3, 500)
    assert plan_burst(board(None), 7_500.0, 0.1, 0.9, None) == Burst(3)
    assert plan_burst(board(None), 7_500.0, 0.03, 0.9, 500) == Burst(1, 0, 500)
    with pytest.raises(PlanError, match="546 ms"):
        plan_burst(board(None), 30_000.0, 0.55, 0.25, 500)
    with pytest.raises(PlanError, match="level of 16777216 counts"):
        plan_burst(board(None), 30_000.0, 0.5, 0.25, 1 << 24)


def test_a_burst_counts_from_its_first_block() -> None:
    table = np.zeros(2, BLOCK_TABLE)
    table["number"], table["first_index"], table["lost"] = (90, 91), (20_000, 20_256), (7, 9)
    counted = from_its_first_block(table, 20_000, 90, 7)
    assert counted["number"].tolist() == [0, 1]
    assert counted["first_index"].tolist() == [0, 256]
    assert counted["lost"].tolist() == [0, 2]
    totals = Totals(3, messages.BURST_FULL, 92, 20_512, 9, 0, 0, 0, 90, 20_300)
    assert totals_from_its_first_block(totals, 20_000, 7) == replace(
        totals, blocks=2, next_index=512, lost=2, first_block=0, trigger_index=300
    )
    nothing = replace(totals, trigger_index=messages.NO_TRIGGER)
    assert totals_from_its_first_block(nothing, 20_000, 7).trigger_index == messages.NO_TRIGGER


def test_a_session_does_not_start_what_the_link_cannot_carry() -> None:
    with StandIn(Script(link_bytes_per_s=11_520)) as running, Session(open_port(running.url)) as session:
        session.configure(7500.0)
        with pytest.raises(RefusedError, match="23818 bytes/s and the board's link carries 11520"):
            session.start(1)
        assert messages.START not in running.heard
