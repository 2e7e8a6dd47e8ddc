"""A sixth converter takes one file on the board: a chip that no one makes, driven by an unchanged script.

DEVELOPERS.md ("A sixth converter in one file") goes through the same steps.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from boardstream import stream

from anviltrace import firmware
from anviltrace.firmware import BoardSettings
from anviltrace.link.port import open_port
from anviltrace.link.session import Session
from anviltrace.virtual import protocol_virtual
from anviltrace.virtual.board import Fault

SIXTH = Path(__file__).resolve().parent / "sixth"
PINS = {"i2c": 1, "scl": 7, "sda": 6}


class Ramp:
    """A bench whose n-th value is 1000 n."""

    front_rate_hz = 1000.0

    def __init__(self) -> None:
        self.operator, self.truth = SimpleNamespace(), None
        self._rendered = 0

    def render(self, count: int, _at_s: float) -> Any:
        values = 1000 * np.arange(self._rendered, self._rendered + count, dtype=np.int32)
        self._rendered += count
        return values

    def take_fault(self) -> tuple[int, int]:
        return 0, 0


@pytest.fixture
def sixth(monkeypatch: pytest.MonkeyPatch, add_files: Callable[[dict[str, Path]], None]) -> None:
    """The host's three entries, and the two new files beside the board's own."""
    for table, entry in (
        (firmware.PINS_NEEDED, ("i2c", "scl", "sda")),
        (firmware.PINS_POSSIBLE, ("i2c", "scl", "sda")),
        (firmware.DEFAULT_PINS, PINS),
        (firmware.RATES_HZ, (1000,)),
        (firmware.GAINS, (1,)),
    ):
        monkeypatch.setitem(table, "counter", entry)  # type: ignore[arg-type]
    add_files({"converters/counter.py": SIXTH / "counter.py", "counter.py": SIXTH / "chip" / "counter.py"})
    settings = BoardSettings(board="virtual", converter="counter")
    monkeypatch.setattr(protocol_virtual, "make_bench", lambda *_: (Ramp(), settings))


@pytest.mark.usefixtures("sixth")
def test_it_streams_and_counts_what_it_loses(interpreter: str) -> None:
    port = open_port(f"virtual://sixth?interpreter={interpreter}")
    with Session(port) as session:
        assert session.identity.converter == "counter"
        assert session.configure().rate_hz == 1000.0
        session.start(1)
        _, samples = stream(session, 600)
        np.testing.assert_array_equal(np.diff(samples), 1000)
        port.board.inject(Fault.MISSED_READY, 4)
        table, _ = stream(session, 600)
        totals = session.stop()
    first = table["first_index"].astype(np.int64)
    missing = first[1:] - first[:-1] - table["count"][:-1]
    assert totals.lost == missing.sum() == pytest.approx(4, abs=1)


@pytest.mark.usefixtures("sixth")
def test_it_allocates_nothing_while_it_streams(power_up_with: Callable[[str], None]) -> None:
    pytest.importorskip("micropython_unix", reason="no MicroPython interpreter for this machine")
    power_up_with("allocation.py")
    with Session(open_port("virtual://sixth")) as session:
        session.configure()
        session.start(1)
        stream(session, 1000)
        assert session.stop().lost == 0
