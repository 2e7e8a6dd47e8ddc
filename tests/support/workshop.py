"""The workshop of an invented narrow-gauge railway, as records for tests of the archive."""

from __future__ import annotations

from dataclasses import dataclass, fields, replace

import numpy as np
from numpy.typing import NDArray

from anviltrace.archive import Archive
from anviltrace.records import (
    Board,
    Duty,
    Fitting,
    Plan,
    Rig,
    RigKind,
    Rotation,
    Run,
    RunKind,
    RunState,
    ScaleKind,
    Session,
    Settings,
    Start,
    Supply,
    Thread,
    Tool,
)


def fixed_id(number: int) -> str:
    """A UUID that is the same in every run of the tests."""
    return f"00000000-0000-4000-8000-{number:012x}"


@dataclass(frozen=True)
class Workshop:
    """One record of each kind that a run refers to, before there is a run."""

    rig: Rig
    fitting: Fitting
    board: Board
    settings: Settings
    tool: Tool
    supply: Supply
    plan: Plan
    session: Session

    def put_into(self, archive: Archive) -> None:
        """Put every record, those first that others refer to."""
        for field in fields(self):
            archive.put(getattr(self, field.name))

    def run(self, number: int, **changes: object) -> Run:
        """A run about to be recorded, with the id ``fixed_id(number)``."""
        run = Run(
            id=fixed_id(number),
            session_id=self.session.id,
            settings_id=self.settings.id,
            kind=RunKind.MEASUREMENT,
            state=RunState.RECORDING,
            started_at="2026-05-04T08:15:00.250Z",
            wire_run_id=number % 65536,
            plan_id=self.plan.id,
            tool_id=self.tool.id,
            supply_id=self.supply.id,
            fitting_id=self.fitting.id,
            supply_state="fresh",
            repeat=1,
        )
        return replace(run, **changes)  # type: ignore[arg-type]


def workshop(rate_hz: float = 1000.0) -> Workshop:
    """The workshop with a converter that gives ``rate_hz`` samples a second."""
    rig = Rig(fixed_id(1), "fishplate stand", RigKind.HELD, note="stud M24, strain gauges on the stud")
    board = Board(fixed_id(3), "e6614103e7452f2c", "pico", "0.1.0", 1, "ads1256", 24)
    return Workshop(
        rig=rig,
        fitting=Fitting(fixed_id(2), "socket 36 mm", note="half inch to three quarter adapter"),
        board=board,
        settings=_settings(rate_hz),
        tool=Tool(
            fixed_id(5), "Anvil Hare 18", maker="Drybeck Tools", mass_kg=2.4, price=189.0, currency="EUR"
        ),
        supply=Supply(fixed_id(6), "Drybeck 5 Ah", "pack", nominal_v=18.0, capacity_ah=5.0),
        plan=_plan(),
        session=Session(fixed_id(8), rig.id, board.id, "2026-05-04T08:00:00.000Z", operator="T. Ester"),
    )


def _settings(rate_hz: float) -> Settings:
    return Settings(
        id=fixed_id(4),
        wire_id=4711,
        rate_hz=rate_hz,
        gain=64,
        group_delay_s=0.00018,
        scale_kind=ScaleKind.VOLTAGE,
        full_scale=0.078125,
        full_scale_code=8388607,
        saturation_low=-8388608,
        saturation_high=8388607,
        excitation_v=4.998,
        excitation_source="measured",
        registers=bytes([0x01, 0x26, 0xF0]),
    )


def _plan() -> Plan:
    return Plan(
        id=fixed_id(7),
        name="fishplate tightening",
        rotation=Rotation.CW,
        thread=Thread.RIGHT,
        duty=Duty.TIGHTENING,
        start=Start.SLACK,
        drive_s=5.0,
        repeats=3,
        marks_s=(0.1, 1.0, 5.0),
        text='name = "fishplate tightening"\n',
    )


def counts_at(first_index: int, count: int) -> NDArray[np.int32]:
    """What the pretend converter gives from ``first_index`` on: a rough 24-bit signal in integers only."""
    index = np.arange(first_index, first_index + count, dtype=np.int64)
    return ((index * index * 37 + index * 911) % 16_777_216 - 8_388_608).astype(np.int32)
