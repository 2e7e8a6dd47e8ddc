"""Side samples on their way into the archive: holes, repeats, clocks, and what is known of them."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest
from workshop import fixed_id, workshop

from anviltrace.archive import Archive
from anviltrace.capture.sideintake import Line, SideIntake
from anviltrace.link.events import Side
from anviltrace.link.sensors import Channel, Sensor
from anviltrace.records import Quantity, Run, RunKind, RunState, SideChannel

START_TICK = (1 << 30) - 300_000
"""The counter wraps 0.3 s after the start."""
TORQUE_HZ, TORQUE_FIRST_S = 1000.0, 0.0125
SIDE_HZ, SIDE_FIRST_S = 101.0, 0.031
DELAY_S, LATE_US = 0.004, 2000


def _tick(seconds: float) -> int:
    return (START_TICK + round(seconds * 1e6)) % (1 << 30)


def sensor(**changes: object) -> Sensor:
    volts = Channel(Quantity.SUPPLY_VOLTAGE, "V", 0.002, 5, (-100, 100), DELAY_S, 0.0003, 0.01, 0.03)
    warmth = Channel(Quantity.TEMPERATURE, "°C", 0.01, 0, (-100, 100), 0.0, 0.0, 0.0, 0.1)
    facts = {"number": 0, "name": "two in one", "answers": True, "trouble": "", "rate_hz": 100.0}
    return Sensor(**(facts | {"registers": b"\x12", "channels": (volts, warmth)} | changes))  # type: ignore[arg-type]


def side(first: int, count: int, lost: int = 0, number: int = 0) -> Side:
    """A message: the last sample was ready a millisecond before it was found."""
    counts = np.column_stack((np.arange(first, first + count), -np.arange(first, first + count)))
    ready_s = SIDE_FIRST_S + (first + count - 1) / SIDE_HZ
    return Side(number, first, _tick(ready_s + 0.001), LATE_US, lost, counts.astype(np.int32))


def torque(seconds: float = 3.0) -> tuple[np.ndarray, np.ndarray]:
    index = np.arange(0, round(seconds * TORQUE_HZ), 128)
    ticks = np.array([_tick(TORQUE_FIRST_S + i / TORQUE_HZ) for i in index.tolist()], dtype=np.int64)
    return index.astype(np.int64), ticks


def a_run(kind: RunKind = RunKind.MEASUREMENT) -> Run:
    shop = workshop()
    return Run(
        id=fixed_id(700), session_id=shop.session.id, settings_id=shop.settings.id, kind=kind,
        state=RunState.RECORDING, started_at="2026-11-25T20:00:00.000Z", wire_run_id=3,
    )  # fmt: skip


def kept(folder: Path, intake: SideIntake, run: Run, seconds: float = 3.0):
    """What an archive holds of it in the end: channels by quantity with their pieces, and notices."""
    from anviltrace.records import Notice

    with Archive.open(folder / "a.anviltrace", create=True) as archive:
        workshop().put_into(archive)
        recording = archive.begin(run)
        intake.keep(recording, *torque(seconds))
        intake.keep(recording, *torque(seconds))  # a second time changes nothing
        recording.finish(end_reason="")
        assert archive.verify() == []
        channels = {
            channel.quantity: (
                channel,
                [(first, counts.tolist()) for first, counts in archive.side_pieces(channel.id)],
            )
            for channel in archive.all(SideChannel)
        }
        return channels, [notice.text for notice in archive.all(Notice)]


def test_the_clock_is_that_of_the_torque(tmp_path: Path) -> None:
    run = a_run()
    intake = SideIntake(run, (sensor(),), workshop().settings, START_TICK)
    for first in range(0, 300, 25):
        intake.take(side(first, 25))
    channels, notices = kept(tmp_path, intake, run)
    assert notices == []
    volts, pieces = channels[Quantity.SUPPLY_VOLTAGE]
    assert [(first, len(counts)) for first, counts in pieces] == [(0, 300)]
    assert volts.rate_hz == pytest.approx(SIDE_HZ, rel=1e-5)
    group_s = workshop().settings.group_delay_s
    assert volts.start_s == pytest.approx(SIDE_FIRST_S - DELAY_S - TORQUE_FIRST_S + group_s, abs=2e-6)
    known_s = math.hypot(0.5e-6 * LATE_US, 0.0003) / math.sqrt(3.0)
    assert volts.start_u_s == pytest.approx(known_s, rel=0.01)
    assert (volts.per_count, volts.zero_counts, volts.unit) == (0.002, 5.0, "V")
    assert volts.u_relative == pytest.approx(0.01 / math.sqrt(3.0))
    assert volts.u_zero == pytest.approx(0.03 / math.sqrt(3.0))
    assert (volts.saturation_low, volts.saturation_high, volts.sensor) == (-100, 100, "two in one")
    assert "4 ms of the sensor" in volts.note
    assert "registers 12" in volts.note
    warmth, pieces = channels[Quantity.TEMPERATURE]
    assert warmth.start_s == pytest.approx(volts.start_s + DELAY_S)
    assert pieces[0][1][:3] == [0, -1, -2]


def test_a_lost_message_is_a_hole_with_exact_bounds_and_one_that_comes_twice_is_dropped(
    tmp_path: Path,
) -> None:
    run = a_run()
    intake = SideIntake(run, (sensor(),), workshop().settings, START_TICK)
    for first in (0, 25, 25, 75, 50, 100, 137):
        intake.take(side(first, 25, lost=12 if first == 137 else 0))
    channels, notices = kept(tmp_path, intake, run)
    volts, pieces = channels[Quantity.SUPPLY_VOLTAGE]
    assert [(first, len(counts)) for first, counts in pieces] == [(0, 50), (75, 50), (137, 25)]
    assert volts.samples == 125
    assert notices == ["two in one: 37 samples are missing, 12 of them never read"]
    assert volts.rate_hz == pytest.approx(SIDE_HZ, rel=1e-4)


def test_what_is_written_as_it_comes_is_the_same_in_the_end(tmp_path: Path) -> None:
    """Chunks of a second, with a clock that gets better, and one lost message, against all in one go."""
    run = a_run()
    whole, by_and_by = (SideIntake(run, (sensor(),), workshop().settings, START_TICK) for _ in range(2))
    expected = [first for first in range(0, 300, 25) if first != 125]
    for first in expected:
        whole.take(side(first, 25))
    (tmp_path / "whole").mkdir()
    all_at_once, _ = kept(tmp_path / "whole", whole, run)
    with Archive.open(tmp_path / "b.anviltrace", create=True) as archive:
        workshop().put_into(archive)
        recording = archive.begin(run)
        by_and_by.write(recording, *torque(0.0))
        clocks = []
        for first in expected:
            by_and_by.take(side(first, 25))
            if first % 100 == 0:
                by_and_by.write(recording, *torque(first / SIDE_HZ + 0.3))
                assert archive.verify() == []
                (volts, _) = archive.sides(run.id)
                clocks.append((volts.start_u_s, volts.rate_hz, volts.seal))
                stored = [(at, len(counts)) for at, counts in archive.side_pieces(volts.id)]
        assert stored == [(0, 125), (150, 75)]
        by_and_by.keep(recording, *torque())
        recording.finish()
        assert archive.verify() == []
        for channel in archive.sides(run.id):
            at_once, pieces = all_at_once[Quantity(channel.quantity)]
            assert (channel.rate_hz, channel.start_s, channel.seal) == (
                at_once.rate_hz, at_once.start_s, at_once.seal,
            )  # fmt: skip
            assert [(at, counts.tolist()) for at, counts in archive.side_pieces(channel.id)] == pieces
    assert [rate_hz for _, rate_hz, _ in clocks] == pytest.approx([100.0, SIDE_HZ, SIDE_HZ], rel=1e-3)
    assert all(seal is None for _, _, seal in clocks)


def test_without_a_tool_only_the_temperature_is_kept(tmp_path: Path) -> None:
    run = a_run(RunKind.ZERO)
    intake = SideIntake(run, (sensor(),), workshop().settings, START_TICK)
    intake.take(side(0, 20))
    channels, _ = kept(tmp_path, intake, run)
    assert set(channels) == {Quantity.TEMPERATURE}
    assert "rate nominal" in channels[Quantity.TEMPERATURE][0].note
    assert channels[Quantity.TEMPERATURE][0].rate_hz == 100.0


def test_a_sensor_that_does_not_answer_is_noted(tmp_path: Path) -> None:
    run = a_run()
    silent = sensor(number=1, name="ina226", answers=False, trouble="no answer on I2C", channels=())
    intake = SideIntake(run, (sensor(), silent), workshop().settings, START_TICK)
    intake.take(side(0, 20))
    intake.take(side(0, 20, number=7))  # nobody knows that one
    channels, notices = kept(tmp_path, intake, run)
    assert len(channels) == 2
    assert notices == ["ina226 does not answer: no answer on I2C"]


def test_a_run_without_torque_keeps_none(tmp_path: Path) -> None:
    run = a_run()
    intake = SideIntake(run, (sensor(),), workshop().settings, START_TICK)
    intake.take(side(0, 20))
    channels, _ = kept(tmp_path, intake, run, seconds=0.0)
    assert channels == {}


def test_a_moment_in_which_the_board_was_held_up_does_not_bend_the_line() -> None:
    intake = SideIntake(a_run(), (sensor(),), workshop().settings, START_TICK)
    for first in range(0, 300, 25):
        message = side(first, 25)
        if first == 100:  # found 80 ms late, and known to be
            message = Side(0, first, (message.tick + 80_000) % (1 << 30), 100_000, 0, message.counts)
        intake.take(message)
    line, late_s = intake._line(intake._taken[0], 100.0)
    assert line.rate_hz == pytest.approx(SIDE_HZ, rel=1e-5)
    assert late_s == pytest.approx(1e-6 * LATE_US)


@pytest.mark.parametrize("count", [1, 2])
def test_few_points_give_a_line_of_the_nominal_rate(count: int) -> None:
    line = Line.through(np.arange(count, dtype=np.int64), 0.5 + np.arange(count) / 90.0, 100.0)
    assert (line.rate_hz, line.measured) == (100.0, False)
    assert line.start_s == pytest.approx(0.5, abs=1e-3)
