"""Another side sensor takes one file on the board: a sensor that no one makes, in an unchanged script.

DEVELOPERS.md ("Another side sensor in one file") goes through the same steps.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from anviltrace import firmware
from anviltrace.firmware import BoardSettings
from anviltrace.link.events import Blocks, BoardError, Side
from anviltrace.link.port import open_port
from anviltrace.link.session import Session
from anviltrace.virtual import protocol_virtual
from anviltrace.virtual.bench import Bench
from anviltrace.virtual.scenario import load

SEVENTH = Path(__file__).resolve().parent / "seventh"
PINS = {"i2c": 1, "scl": 7, "sda": 6}


@pytest.fixture
def seventh(monkeypatch: pytest.MonkeyPatch, add_files: Callable[[dict[str, Path]], None]) -> None:
    """The host's three entries, and the two new files beside the board's own."""
    for table, entry in (
        (firmware.SENSOR_PINS, ("i2c", "scl", "sda")),
        (firmware.SENSOR_FACTS, {"address": (0x52, 0x52, 0x52)}),
        (firmware.USUAL_SENSOR_PINS, PINS),
    ):
        monkeypatch.setitem(table, "ramp", entry)  # type: ignore[arg-type]
    add_files({"sensors/ramp.py": SEVENTH / "ramp.py", "ramp.py": SEVENTH / "chip" / "ramp.py"})
    settings = BoardSettings(board="virtual", sensors=(firmware.with_usual_wiring({"sensor": "ramp"}),))
    monkeypatch.setattr(
        protocol_virtual, "make_bench", lambda *_: (Bench(load("fishplate-held"), 1), settings)
    )


def _stream(session: Session) -> list[Any]:
    settings = session.configure(7500.0, 64)
    session.start(1)
    samples, others = 0, []
    while samples < 2.0 * settings.rate_hz:
        for event in session.poll():
            if isinstance(event, Blocks):
                samples += len(event.samples)
            elif isinstance(event, Side | BoardError):
                others.append(event)
    assert session.stop().lost == 0
    return others


@pytest.mark.usefixtures("seventh")
def test_it_describes_itself_and_brings_every_count(interpreter: str) -> None:
    with Session(open_port(f"virtual://seventh?interpreter={interpreter}")) as session:
        (sensor,) = session.sensors
        assert str(sensor) == "ramp: height, 100 S/s"
        assert (sensor.channels[0].unit, sensor.channels[0].per_count) == ("m", 0.001)
        sides = _stream(session)
    counts = np.concatenate([side.counts[:, 0] for side in sides])
    np.testing.assert_array_equal(np.diff(counts), 1)
    assert len(counts) > 170


@pytest.mark.usefixtures("seventh")
def test_it_allocates_nothing_while_it_streams(power_up_with: Callable[[str], None]) -> None:
    pytest.importorskip("micropython_unix", reason="no MicroPython interpreter for this machine")
    power_up_with("allocation.py")
    with Session(open_port("virtual://seventh")) as session:
        sides = _stream(session)
    assert sides
    assert all(isinstance(side, Side) for side in sides)
