"""What the device script makes of converters that misbehave: losses counted, doubtful readings marked.

The faults are those that users of these chips report (stretched clock pulses, missed and surplus
data-ready edges, a chip that falls silent, stray text on the line).
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pytest

from anviltrace.link.events import Blocks, BoardError, Finished, Text
from anviltrace.link.port import open_port
from anviltrace.link.session import Session
from anviltrace.virtual.board import Fault
from anvilwire import messages as m


@dataclass
class Outcome:
    """What a run brought: block headers, samples, and whatever else the board said."""

    table: Any = None
    samples: Any = None
    errors: list[str] = field(default_factory=list)
    texts: list[str] = field(default_factory=list)
    finished: Any = None


def _run(
    scenario: str,
    interpreter: str,
    fault: Fault,
    argument: int,
    seconds: float,
    rate_hz: float | None = None,
) -> Outcome:
    """Stream, let the fault happen after a third of the time, stream on, stop."""
    port = open_port(f"virtual://{scenario}?seed=4&interpreter={interpreter}")
    with Session(port) as session:
        settings = session.configure(rate_hz)
        session.start(1)
        outcome, tables, parts, injected = Outcome(), [], [], False
        while sum(map(len, parts)) < seconds * settings.rate_hz and outcome.finished is None:
            for event in session.poll():
                if isinstance(event, Blocks):
                    tables.append(event.table)
                    parts.append(event.samples)
                elif isinstance(event, BoardError):
                    outcome.errors.append(event.text)
                elif isinstance(event, Text):
                    outcome.texts.append(event.text)
                elif isinstance(event, Finished):
                    outcome.finished = event.totals
            if not injected and sum(map(len, parts)) > seconds * settings.rate_hz / 3:
                port.board.inject(fault, argument)
                injected = True
        if outcome.finished is None:
            outcome.finished = session.stop()
            outcome.errors += [event.text for event in session.poll(0.0) if isinstance(event, BoardError)]
    outcome.table, outcome.samples = np.concatenate(tables), np.concatenate(parts)
    return outcome


def _consecutive(table: Any) -> Any:
    """How many sample indices are missing before each block but the first."""
    first = table["first_index"].astype(np.int64)
    return first[1:] - first[:-1] - table["count"][:-1]


@pytest.mark.parametrize(
    "scenario", ["fishplate-held", "deadweight-hx711", "deadweight-nau7802", "fishplate-ads1220"]
)
def test_missed_samples_are_a_marked_loss_of_the_right_length(scenario: str, interpreter: str) -> None:
    outcome = _run(scenario, interpreter, Fault.MISSED_READY, 3, 3.0)
    missing = _consecutive(outcome.table)
    (at,) = missing.nonzero()[0]
    assert missing[at] == pytest.approx(3, abs=1)
    assert outcome.table["flags"][at + 1] & m.BLOCK_AFTER_LOSS
    assert outcome.finished.lost == missing[at]
    assert outcome.table["lost"][-1] == missing[at]


@pytest.mark.parametrize(
    ("scenario", "nominal_hz"), [("fishplate-held", 7500.0), ("fishplate-fast", 30000.0)]
)
def test_a_surplus_data_ready_adds_no_sample(scenario: str, nominal_hz: float, interpreter: str) -> None:
    outcome = _run(scenario, interpreter, Fault.EXTRA_READY, 2, 3.0, nominal_hz)
    assert (_consecutive(outcome.table) == 0).all()
    assert (outcome.table["flags"] & m.BLOCK_GLITCH).any()
    assert outcome.finished.lost == 0
    # time goes on evenly: index over tick keeps the rate
    ticks = outcome.table["tick_first"].astype(np.int64)
    rate_hz = (
        (int(outcome.table["first_index"][-1]) - int(outcome.table["first_index"][0]))
        / (ticks[-1] - ticks[0])
        * 1e6
    )
    assert rate_hz == pytest.approx(nominal_hz, rel=1e-3)


@pytest.mark.parametrize("rate_hz", [15000.0, 30000.0])
def test_samples_missed_by_a_state_machine_are_counted_exactly(rate_hz: float, interpreter: str) -> None:
    outcome = _run("fishplate-fast", interpreter, Fault.MISSED_READY, 3, 2.0, rate_hz)
    missing = _consecutive(outcome.table)
    (at,) = missing.nonzero()[0]
    assert missing[at] == outcome.finished.lost == 3
    assert outcome.table["flags"][at + 1] & m.BLOCK_AFTER_LOSS


def test_a_chip_that_falls_silent_under_a_state_machine_ends_the_run(interpreter: str) -> None:
    outcome = _run("fishplate-fast", interpreter, Fault.SILENT, 0, 3.0, 30000.0)
    assert outcome.finished.reason == m.CONVERTER_FAULT
    assert "no data-ready for 30 ms" in outcome.errors[-1]


def test_a_stretched_clock_pulse_is_not_taken_for_a_reading(interpreter: str) -> None:
    # an HX711 whose clock is held high for more than 60 us resets in mid-word and shows 2^k - 1
    outcome = _run("deadweight-hx711", interpreter, Fault.STRETCHED_CLOCK, 9, 4.0)
    usual = np.median(outcome.samples)
    assert (np.abs(outcome.samples - usual) < 20_000).all()
    assert (outcome.table["flags"] & m.BLOCK_GLITCH).any()
    assert outcome.finished.lost > 0
    assert outcome.finished.next_index == outcome.table["lost"][-1] + len(outcome.samples) + (
        outcome.finished.next_index - int(outcome.table["first_index"][-1]) - int(outcome.table["count"][-1])
    )


@pytest.mark.parametrize(
    "scenario", ["fishplate-held", "deadweight-hx711", "deadweight-nau7802", "fishplate-ads1220"]
)
def test_a_chip_that_falls_silent_ends_the_run(scenario: str, interpreter: str) -> None:
    outcome = _run(scenario, interpreter, Fault.SILENT, 0, 60.0)
    assert outcome.finished.reason == m.CONVERTER_FAULT
    assert outcome.errors
    assert "no " in outcome.errors[-1]


def test_stray_text_costs_no_sample(interpreter: str) -> None:
    outcome = _run("fishplate-held", interpreter, Fault.STRAY_TEXT, 2, 3.0)
    assert outcome.texts
    assert (_consecutive(outcome.table) == 0).all()


@pytest.mark.parametrize(
    ("scenario", "rate_hz"),
    [("fishplate-held", 7500.0), ("fishplate-fast", 7500.0), ("fishplate-fast", 30000.0)],
)
def test_a_chip_that_was_reset_ends_the_run_as_a_fault(
    scenario: str, rate_hz: float, interpreter: str
) -> None:
    # after a reset the ADS1256 converts at 30 kS/s and no longer reads continuously: what comes is worthless
    outcome = _run(scenario, interpreter, Fault.CHIP_RESET, 0, 3.0, rate_hz)
    assert outcome.finished.reason == m.CONVERTER_FAULT
    assert "reset" in outcome.errors[-1]


def test_an_hx711_that_lost_its_place_is_marked(interpreter: str) -> None:
    # reset in mid-word the chip shows ones from there on: 2^k - 1 (or -1); such a reading is never unmarked
    outcome = _run("deadweight-hx711", interpreter, Fault.CHIP_RESET, 5, 4.0)
    usual = np.median(outcome.samples)
    first = np.repeat(outcome.table["flags"], outcome.table["count"])
    strange = np.abs(outcome.samples - usual) > 20_000
    assert (first[strange] & m.BLOCK_GLITCH).all()
    assert (outcome.table["flags"] & m.BLOCK_GLITCH).any()
