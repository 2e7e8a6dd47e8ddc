"""The board on a UART: ten bits a byte at the baud rate, under the device script."""

from __future__ import annotations

import numpy as np
import pytest

from anviltrace.errors import RefusedError
from anviltrace.link import session as session_module
from anviltrace.link.burst import needed_bytes_per_s
from anviltrace.link.events import Blocks, Totals
from anviltrace.link.port import open_port
from anviltrace.link.session import Session
from anviltrace.link.timebase import ticks_since
from anvilwire import messages
from anvilwire.stuffing import stuffed_size


def _run(url: str, rate_hz: float, samples: int) -> tuple[np.ndarray, Totals, int | None]:
    with Session(open_port(url)) as session:
        session.configure(rate_hz)
        session.start(1)
        tables: list[np.ndarray] = []
        while sum(int(table["count"].sum()) for table in tables) < samples:
            tables += [event.table for event in session.poll() if isinstance(event, Blocks)]
        totals = session.stop()
        tables += [event.table for event in session.poll(0.0) if isinstance(event, Blocks)]
        return np.concatenate(tables), totals, session.identity.link_bytes_per_s


def test_a_rate_that_fits_loses_nothing(interpreter: str) -> None:
    # a UART sends 10 bits a byte (start, 8 data, stop): 921600 Bd carry 92160 bytes/s
    url = f"virtual://fishplate-fast?seed=1&interpreter={interpreter}&uart=921600"
    table, totals, carried = _run(url, 15_000.0, 20_000)
    assert carried == 92_160
    assert needed_bytes_per_s(15_000.0) < carried
    assert (totals.lost, totals.unsent_blocks) == (0, 0)
    assert table["count"].sum() == totals.next_index
    np.testing.assert_array_equal(table["number"], np.arange(totals.blocks))


def test_a_rate_that_does_not_fit_is_refused_with_the_figures_and_the_way_out() -> None:
    with Session(open_port("virtual://fishplate-fast?seed=1&interpreter=cpython&uart=921600")) as session:
        session.configure(30_000.0)
        with pytest.raises(RefusedError, match=r"needs 95\d+ bytes/s .* carries 92160: .* 546 ms .*--burst"):
            session.start(1)
        assert not session.running


def test_a_board_with_a_link_too_slow_stays_reachable_and_counts_what_it_loses(
    interpreter: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    # no host of ours starts that; another one may: neither watchdog nor the STOP must be starved
    monkeypatch.setattr(session_module, "must_carry", lambda *_: None)
    url = f"virtual://fishplate-fast?seed=1&interpreter={interpreter}&uart=460800"
    table, totals, carried = _run(url, 30_000.0, 30_000)
    assert carried == 46_080
    first = table["first_index"].astype(np.int64)
    ends = first + table["count"]
    lost = totals.next_index - int(table["count"].sum())
    assert totals.lost == lost
    assert int((first[1:] - ends[:-1]).sum()) + totals.next_index - int(ends[-1]) == lost
    sent_bytes = sum(stuffed_size(39 + 3 * int(count)) + 2 for count in table["count"])
    took_s = ticks_since(int(table["tick_last"][-1]), int(table["tick_first"][0])) / messages.TICK_HZ
    # what the wire takes and no more, beside the board's buffer of 4 kB and 1024 samples in the ring
    assert 0.95 * 46_080 * took_s < sent_bytes < 46_080 * took_s + 4096 + 6 * 812
