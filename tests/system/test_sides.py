"""A run with side sensors through the whole chain: board, wire, archive, metrics, against what was true."""

from __future__ import annotations

import json
import math
import re
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from click.testing import CliRunner
from demofiles import copy_demo_files

from anviltrace.archive import Archive
from anviltrace.capture.benchfile import read_bench
from anviltrace.capture.plan import read_plan
from anviltrace.capture.recorder import Progress, Recorder
from anviltrace.capture.runset import Condition
from anviltrace.cli.capture import find_scale, open_session, record_condition
from anviltrace.cli.hands import OperatorHand
from anviltrace.cli.main import cli
from anviltrace.errors import RecordError
from anviltrace.link.port import open_port
from anviltrace.link.session import Session as Link
from anviltrace.metrics.evaluate import evaluate
from anviltrace.metrics.facts import Gatherer
from anviltrace.metrics.results import RunResult, Value
from anviltrace.records import Quantity, Run, RunState, SideChannel
from anviltrace.trace.vibration import weighted
from anviltrace.units import TorqueUnit
from anviltrace.virtual.board import Fault
from anviltrace.virtual.surroundings import AXES, Surroundings
from anviltrace.virtual.truth import BlowTruth, Event

FINE_HZ = 24_000.0
DRIVE_S = 1.0


@dataclass(frozen=True)
class Recorded:
    """An archive with one run, its numbers, and what was true: all times in the world's seconds."""

    archive: Path
    run: Run
    result: RunResult
    around: Surroundings
    blows: tuple[BlowTruth, ...]
    events: dict[str, Event]

    def value(self, name: str) -> Value:
        value = self.result.value(name)
        assert value is not None
        assert value.value is not None, value.withheld
        assert value.expanded is not None
        return value

    def must_hold(self, name: str, truth: float, beyond: float = 0.0) -> None:
        value = self.value(name)
        assert abs(value.value - truth) <= value.expanded + beyond, (name, value.value, truth, value.expanded)


@pytest.fixture(scope="module")
def recorded(tmp_path_factory: pytest.TempPathFactory) -> Recorded:
    folder = tmp_path_factory.mktemp("sides")
    copy_demo_files(folder, "bench.toml", "tightening.toml", "weights.toml")
    bench = read_bench(folder / "bench.toml")
    plan = replace(
        read_plan(folder / "tightening.toml"),
        before_s=0.8, drive_s=DRIVE_S, after_s=1.1, zero_s=0.4, repeats=1, marks_s=(0.2,),
    )  # fmt: skip
    path = folder / "sides.anviltrace"
    port = open_port("virtual://fishplate-sensors?seed=31")
    with Archive.open(path, create=True) as archive, Link(port) as link:
        settings = link.configure(plan.rate_hz, plan.gain)
        session = open_session(archive, link, bench, settings, "virtual operator")
        scale = find_scale(archive, bench.rig.id, settings, TorqueUnit.NM)
        condition = Condition(plan, bench.tool("Ostrelby"), bench.supply("fresh pack"))
        run = record_condition(archive, link, session, scale, condition, ask=False).runs[0]
        result = evaluate(Gatherer(archive).facts(run))
        events = {event.kind: event for event in port.truth.events}
        around = port.operator._bench.surroundings
        return Recorded(path, run, result, around, port.truth.blows, events)


def test_the_archive_holds_every_channel_sealed(recorded: Recorded) -> None:
    with Archive.open(recorded.archive) as archive:
        assert archive.verify() == []
        channels = {channel.quantity: channel for channel in archive.sides(recorded.run.id)}
        others = [one for one in archive.all(SideChannel) if one.run_id != recorded.run.id]
    assert set(channels) == set(Quantity) - {Quantity.HANDLE_ROTATION}
    assert {channel.quantity for channel in others} == {Quantity.TEMPERATURE}
    assert all(channel.seal and channel.samples for channel in channels.values())
    assert channels[Quantity.SUPPLY_VOLTAGE].rate_hz == pytest.approx(1e6 / (8 * 588 * 1.017), rel=1e-3)
    assert channels[Quantity.HANDLE_X].rate_hz == pytest.approx(3200 * 1.0083, rel=2e-4)
    assert channels[Quantity.TRIGGER].rate_hz == pytest.approx(200.0, rel=2e-4)
    assert {channel.sensor for channel in channels.values()} == {"ina226", "adxl375", "tmp117", "contact"}


def test_the_supply_is_as_it_was(recorded: Recorded) -> None:
    on_s, off_s = recorded.events["drive"].time_s, recorded.events["release"].time_s
    first_s, last_s = recorded.blows[0].start_s, recorded.blows[-1].start_s
    times = np.arange(on_s, off_s, 1e-4)
    volts, amperes = recorded.around.voltage_v(times), recorded.around.current_a(times)
    struck = (times >= first_s) & (times <= min(last_s, first_s + DRIVE_S))
    open_v = float(recorded.around.voltage_v(np.array([on_s - 0.1]))[0])
    loaded_v = float(np.median(volts[struck]))
    recorded.must_hold("supply_open", open_v)
    recorded.must_hold("supply_loaded", loaded_v)
    recorded.must_hold("supply_sag", 100.0 * (1.0 - loaded_v / open_v))
    recorded.must_hold("current_mean", float(amperes[struck].mean()))
    recorded.must_hold("power_mean", float((volts * amperes)[struck].mean()))
    recorded.must_hold("energy_run", float((volts * amperes).sum()) * 1e-4)
    # the figures are much closer than their uncertainty, which is that of a shunt of 1 %: energy to a sample
    # at either end
    joule = float((volts * amperes).sum()) * 1e-4
    assert recorded.value("energy_run").value == pytest.approx(joule, abs=2.0 * 700.0 / 209.0)
    assert recorded.value("supply_open").value == pytest.approx(open_v, abs=0.002)
    # a contact that bounces for 3 ms at either end
    recorded.must_hold("trigger_time", off_s - on_s, beyond=0.0064)


def test_the_handle_shook_as_it_did(recorded: Recorded) -> None:
    run_s = recorded.events["release"].time_s + 1.0
    times = np.arange(recorded.events["drive"].time_s - 0.5, run_s, 1.0 / FINE_HZ)
    kicked = np.concatenate(
        [recorded.around.kicked_m_per_s2(part, 1.0 / FINE_HZ) for part in np.array_split(times, 200)]
    )
    shaken = weighted(kicked, FINE_HZ)
    first_s = recorded.blows[0].start_s
    last_s = min(max(one.start_s for one in recorded.blows if not one.double), first_s + DRIVE_S)
    driven = shaken[(times >= first_s) & (times <= last_s)]
    rms = math.sqrt(float(np.mean(driven**2)))
    total = rms * math.sqrt(sum(axis**2 for axis in AXES))
    for name, share in zip("xyz", AXES, strict=True):
        assert recorded.value(f"vibration_{name}").value == pytest.approx(share * rms, rel=0.03), name
    assert recorded.value("vibration_total").value == pytest.approx(total, rel=0.03)
    recorded.must_hold("vibration_total", total)


def test_blow_and_kick_come_together(recorded: Recorded) -> None:
    """The first blow in the torque and the first kick of the handle, on the run's clock."""
    with Archive.open(recorded.archive) as archive:
        (axis,) = [one for one in archive.sides(recorded.run.id) if one.quantity == Quantity.HANDLE_Y]
        ((_, counts),) = archive.side_pieces(axis.id)
        torque = archive.counts(recorded.run.id).astype(np.float64)
    assert recorded.run.rate_hz is not None
    quiet = torque[: round(0.5 * recorded.run.rate_hz)]
    drives = np.abs(counts - np.median(counts[:500])) > 8
    kick_s = axis.start_s + int(np.flatnonzero(drives)[0]) / axis.rate_hz
    # the tool runs down against a little torque first: a blow is what rises fast
    rise = np.abs(torque[8:] - torque[:-8])
    blow_s = (int(np.flatnonzero(rise > 40.0 * float(quiet.std()))[0]) + 8) / recorded.run.rate_hz
    assert abs(kick_s - blow_s) < 2.0 / axis.rate_hz


def test_what_the_user_sees(recorded: Recorded) -> None:
    result = CliRunner().invoke(cli, ["metrics", "--archive", str(recorded.archive), "--json"])
    assert result.exit_code == 0, result.output
    shown = json.dumps(json.loads(result.stdout))
    for name in ("supply_open", "supply_sag", "energy_run", "vibration_total", "trigger_time"):
        assert name in shown
    facts: Any = CliRunner().invoke(
        cli, ["board", "identify", "--port", "virtual://fishplate-sensors", "--json"]
    )
    assert facts.exit_code == 0, facts.output
    sensors = json.loads(facts.stdout)["sensors"]
    assert [sensor["name"] for sensor in sensors] == ["ina226", "adxl375", "tmp117", "contact"]
    assert all(sensor["answers"] for sensor in sensors)
    watched = CliRunner().invoke(
        cli, ["board", "watch", "--port", "virtual://fishplate-sensors", "--seconds", "1"]
    )
    words = r"handle acceleration z 9\.[0-9]+ m/s², transducer temperature 17\.[45][0-9]* °C"
    assert re.search(words, watched.stdout)
    assert "side sensor ina226: supply voltage, supply current" in watched.stderr


def test_an_interrupted_run_keeps_what_the_sensors_brought(tmp_path: Path) -> None:
    copy_demo_files(tmp_path, "bench.toml", "tightening.toml")
    bench = read_bench(tmp_path / "bench.toml")
    plan = replace(read_plan(tmp_path / "tightening.toml"), before_s=0.6, drive_s=9.0, zero_s=0.3, repeats=1)
    port = open_port("virtual://fishplate-sensors?seed=32")
    with Archive.open(tmp_path / "a.anviltrace", create=True) as archive, Link(port) as link:
        settings = link.configure(plan.rate_hz, plan.gain)
        session = open_session(archive, link, bench, settings, "virtual operator")
        for thing in (plan, tool := bench.tool("Ostrelby"), supply := bench.supply("mains adapter")):
            archive.put(thing)
        hand = OperatorHand(port.operator)
        spoiled: list[int] = []

        def spoil(progress: Progress) -> None:
            if progress.samples > 2.0 * settings.rate_hz and not spoiled:
                spoiled.append(progress.samples)
                port.board.inject(Fault.CHIP_RESET)

        recorder = Recorder(link, archive, settings, session.id, spoil)
        hand.seat(tool, supply)
        with pytest.raises(RecordError, match="converter failed"):
            recorder.measure(plan, hand, tool_id=tool.id, supply_id=supply.id)
        (run,) = archive.all(Run)
        assert run.state is RunState.INTERRUPTED
        channels = archive.sides(run.id)
        assert {channel.quantity for channel in channels} == set(Quantity) - {Quantity.HANDLE_ROTATION}
        assert all(channel.seal and channel.samples > 1.9 * channel.rate_hz for channel in channels)
        assert archive.verify() == []
