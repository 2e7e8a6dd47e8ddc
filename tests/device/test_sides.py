"""Side sensors through the board's script and the wire: what they bring, when it was, and when they fail."""

from __future__ import annotations

import random
from collections.abc import Callable
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from anviltrace.capture.sideintake import SideIntake
from anviltrace.firmware import BoardSettings, with_usual_wiring
from anviltrace.link.events import Blocks, BoardError, Finished, Side
from anviltrace.link.port import open_port
from anviltrace.link.session import Session
from anviltrace.records import Quantity, Run, RunKind, RunState, SideChannel
from anviltrace.virtual import protocol_virtual
from anviltrace.virtual.board import Fault
from anviltrace.virtual.surroundings import Signal
from anvilwire import messages as m

FRONT_HZ = 30_000.0
SINC5_S = 2.5 / FRONT_HZ
"""Delay of the converter's first filter stage, which the bench below has to make itself."""
STEPS = {
    Signal.VOLTAGE_UV: (20_000_000, 14_000_000),
    Signal.CURRENT_UA: (0, 40_000_000),
    Signal.HANDLE_X_MM_PER_S2: (0, 500_000),
    Signal.HANDLE_Y_MM_PER_S2: (-300_000, 600_000),
    Signal.HANDLE_Z_MM_PER_S2: (9_807, 400_000),
    Signal.TEMPERATURE_UC: (20_000_000, 45_000_000),
    Signal.CONTACT: (0, 1),
}
ALL = ("ina226", "adxl375", "tmp117", "contact")


class OneEvent:
    """A bench on which everything changes at once, ``event_s`` after power-up: torque and side signals."""

    front_rate_hz = FRONT_HZ

    def __init__(self, event_s: float) -> None:
        self.operator, self.truth = SimpleNamespace(), None
        self._event_s = event_s

    def render(self, count: int, at_s: float) -> Any:
        times = at_s + np.arange(count) / FRONT_HZ - SINC5_S
        return np.where(times < self._event_s, 0, 200_000_000).astype(np.int32)

    def sense(self, signal: int, signals: int, count: int, at_s: float, step_s: float, width_s: float) -> Any:
        ends = at_s + step_s * np.arange(count)
        if width_s:
            after = np.clip((ends - self._event_s) / width_s, 0.0, 1.0)
        else:
            after = (ends >= self._event_s).astype(np.float64)
        steps = np.array([STEPS[Signal(signal + more)] for more in range(signals)], dtype=np.float64)
        return np.rint(steps[:, 0] + np.outer(after, steps[:, 1] - steps[:, 0])).astype(np.int32)

    def take_fault(self) -> tuple[int, int]:
        return 0, 0


class Keeper:
    """Keeps side channels as an archive's recording would, and notices."""

    def __init__(self) -> None:
        self.kept: dict[str, tuple[SideChannel, list[tuple[int, Any]]]] = {}
        self.notices: list[str] = []

    def keep_sides(self, parts: Any, rate_hz: float | None = None) -> None:  # noqa: ARG002
        for channel, new in parts:
            _, pieces = self.kept.get(channel.quantity, (None, []))
            self.kept[channel.quantity] = (channel, [*pieces, *new])

    def notice(self, kind: str, text: str, at_index: int | None = None) -> None:  # noqa: ARG002
        self.notices.append(text)


@pytest.fixture
def on_bench(monkeypatch: pytest.MonkeyPatch) -> Callable[..., None]:
    """Let the next virtual board stand on the bench given, with these side sensors."""

    def place(bench: OneEvent, *kinds: str, converter: str = "ads1256") -> None:
        sensors = tuple(with_usual_wiring({"sensor": kind}) for kind in kinds)
        settings = BoardSettings(board="virtual", converter=converter, sensors=sensors)
        monkeypatch.setattr(protocol_virtual, "make_bench", lambda *_: (bench, settings))

    return place


def record(session: Session, seconds: float) -> tuple[Keeper, Any, Any, list[Any]]:
    """A run as the recorder would keep it: channels, indices and samples of the torque, other events."""
    settings = session.configure(7500.0, 64)
    run = Run(
        id="0" * 36, session_id="", settings_id="", kind=RunKind.MEASUREMENT,
        state=RunState.RECORDING, started_at="2026-11-25T20:00:00.000Z", wire_run_id=9,
    )  # fmt: skip
    intake = SideIntake(run, session.sensors, settings, session.start(9))
    tables, samples, others = [], [], []
    while sum(map(len, samples)) < seconds * settings.rate_hz:
        for event in session.poll():
            if isinstance(event, Blocks):
                tables.append(event.table)
                samples.append(event.samples)
            elif isinstance(event, Side):
                intake.take(event)
            elif isinstance(event, BoardError | Finished):
                others.append(event)
    totals = session.stop()
    assert totals.lost == 0
    for event in session.poll(0.0):
        if isinstance(event, Side):
            intake.take(event)
    table = np.concatenate(tables)
    first = table["first_index"].astype(np.int64)
    index = np.column_stack((first, first + table["count"] - 1)).ravel()
    ticks = np.column_stack((table["tick_first"], table["tick_last"])).astype(np.int64).ravel()
    keeper = Keeper()
    intake.keep(keeper, index, ticks)
    return keeper, np.column_stack((index, ticks)), np.concatenate(samples), others


def middle_s(values: Any, rate_hz: float) -> float:
    """When a step came, from values that are means over a period: by the area under them, from sample 0."""
    low, high = float(values[:4].mean()), float(values[-4:].mean())
    share = (values - low) / (high - low)
    return (len(values) - 0.5 - float(share.sum())) / rate_hz


@pytest.mark.parametrize(
    ("seed", "power", "converter"),
    [(1, "ina226", "ads1256"), (2, "ina238", "ads1256"), (3, "ina226", "ads1256"), (4, "ina238", "ads1256")],
)
def test_an_event_is_at_the_same_time_in_torque_and_in_every_side_channel(
    on_bench: Callable[..., None], seed: int, power: str, converter: str
) -> None:
    draw = random.Random(seed)
    bench = OneEvent(draw.uniform(1.2, 1.6))
    on_bench(bench, power, "adxl375", "tmp117", "contact", converter=converter)
    # the tick counter wraps in mid-run for half of the seeds
    ticks = draw.randrange(1 << 30) if seed % 2 else (1 << 30) - 1_000_000
    with Session(open_port(f"virtual://event?ticks={ticks}")) as session:
        assert all(sensor.answers for sensor in session.sensors)
        keeper, marks, samples, others = record(session, 2.7)
    assert others == []
    assert keeper.notices == []
    since_us = (marks[:, 1] - marks[0, 1]) % (1 << 30)
    rate_hz = float((marks[-1, 0] - marks[0, 0]) / (since_us[-1] - since_us[0])) * 1e6
    torque_s = middle_s(samples.astype(np.float64), rate_hz)
    assert set(keeper.kept) == {
        *(Quantity.SUPPLY_VOLTAGE, Quantity.SUPPLY_CURRENT, Quantity.TEMPERATURE, Quantity.TRIGGER),
        *(Quantity.HANDLE_X, Quantity.HANDLE_Y, Quantity.HANDLE_Z),
    }
    for channel, pieces in keeper.kept.values():
        ((first, counts),) = pieces
        assert first == 0
        apart_s = channel.start_s + middle_s(counts.astype(np.float64), channel.rate_hz) - torque_s
        slower_s = 1.0 / min(channel.rate_hz, rate_hz)
        assert abs(apart_s) < slower_s, (channel.quantity, apart_s, slower_s)
        # and the uncertainty stated is honest; a contact tells its edge to half a sample
        known_s = 2.0 * channel.start_u_s + (0.5 * slower_s if channel.quantity == Quantity.TRIGGER else 0.0)
        assert abs(apart_s) < known_s + 0.5 / rate_hz, (channel.quantity, apart_s, known_s)
        assert 2.0 * channel.start_u_s < slower_s, channel.quantity


def test_values_are_those_of_the_signals(on_bench: Callable[..., None], interpreter: str) -> None:
    on_bench(OneEvent(1.5), *ALL)
    with Session(open_port(f"virtual://event?interpreter={interpreter}")) as session:
        keeper, *_ = record(session, 2.2)
    wanted = {
        Quantity.SUPPLY_VOLTAGE: (20.0, 14.0),
        Quantity.SUPPLY_CURRENT: (0.0, 40.0),
        Quantity.HANDLE_X: (0.0, 500.0),
        Quantity.HANDLE_Y: (-300.0, 600.0),
        Quantity.HANDLE_Z: (9.807, 400.0),
        Quantity.TEMPERATURE: (20.0, 45.0),
        Quantity.TRIGGER: (0.0, 1.0),
    }
    for quantity, (before, after) in wanted.items():
        channel, ((_, counts),) = keeper.kept[quantity]
        assert channel.unit == quantity.unit
        assert channel.per_count * counts[2] == pytest.approx(before, abs=0.51 * channel.per_count)
        assert channel.per_count * counts[-1] == pytest.approx(after, abs=0.51 * channel.per_count)


@pytest.mark.parametrize("fault", [Fault.SENSOR_SILENT, Fault.SENSOR_FROZEN])
def test_a_sensor_that_fails_ends_by_itself_and_the_run_goes_on(
    on_bench: Callable[..., None], fault: Fault
) -> None:
    on_bench(OneEvent(9.0), *ALL)
    with Session(open_port("virtual://event")) as session:
        settings = session.configure(7500.0, 64)
        session.start(4)
        samples, errors, latest, faulty = 0, [], {}, False
        while samples < 2.3 * settings.rate_hz:
            if samples > 0.5 * settings.rate_hz and not faulty:
                faulty = True
                for number in range(3):
                    session.port.board.inject(fault, number)
            for event in session.poll():
                if isinstance(event, Blocks):
                    samples += len(event.samples)
                elif isinstance(event, Side):
                    latest[event.sensor] = event.first_index + len(event.counts)
                elif isinstance(event, BoardError):
                    errors.append(event)
        totals = session.stop()
        assert (totals.reason, totals.lost) == (m.ASKED, 0)
        # the next run finds them again, or says that they do not answer
        session.configure(7500.0, 64)
        answers = [sensor.answers for sensor in session.sensors]
    assert {error.code for error in errors} == {m.SENSOR_FAULT}
    assert sorted(error.text.split(":")[0] for error in errors) == ["adxl375", "ina226", "tmp117"]
    assert latest[3] > 350
    assert latest[0] < 1.5 * 209
    assert answers == ([False, False, False, True] if fault is Fault.SENSOR_SILENT else [True] * 4)


def test_the_host_hears_what_there_is(on_bench: Callable[..., None]) -> None:
    on_bench(OneEvent(9.0), "ina238", "adxl375")
    with Session(open_port("virtual://event")) as session:
        power, handle = session.sensors
    assert (power.name, power.answers, power.registers.hex()) == ("ina238", True, "0000b901")
    assert power.rate_hz == pytest.approx(231.0, abs=0.5)
    volts, amperes = power.channels
    assert (volts.quantity, volts.unit, volts.per_count) == (Quantity.SUPPLY_VOLTAGE, "V", 3.125e-3)
    assert amperes.per_count == pytest.approx(5e-6 / 500e-6)
    assert [channel.quantity for channel in handle.channels] == [
        *(Quantity.HANDLE_X, Quantity.HANDLE_Y, Quantity.HANDLE_Z)
    ]
    for channel in handle.channels:
        assert channel.per_count == pytest.approx(0.049 * 9.80665)


def test_side_sensors_do_not_disturb_a_slow_converter(tmp_path: Path) -> None:
    """An HX711 and a NAU7802 are read by the main loop: nothing is lost, no reading is doubted."""
    for name in ("deadweight-hx711", "deadweight-nau7802"):
        scenario = tmp_path / f"{name}.toml"
        tables = "".join(f'[[sensors]]\nsensor = "{kind}"\n' for kind in ALL)
        scenario.write_text(f'based_on = "{name}"\n{tables}', encoding="utf-8")
        with Session(open_port(f"virtual://{scenario}?seed=2")) as session:
            settings = session.configure()
            session.start(3)
            samples, flags = 0, 0
            while samples < 2.0 * settings.rate_hz:
                for event in session.poll():
                    if isinstance(event, Blocks):
                        samples += len(event.samples)
                        flags |= int(np.bitwise_or.reduce(event.table["flags"]))
            totals = session.stop()
        assert (totals.lost, flags) == (0, 0), name
