"""The bench file: the rig and what is tested on it, as the tester knows them, in TOML.

::

    [rig]
    name = "workshop stud rig"
    kind = "held"                 # fixed, through or held

    [[tool]]
    name = "Larkhill 400"
    mass_kg = 1.9

    [[supply]]
    name = "pack A"
    kind = "pack"                 # pack, mains adapter or air
    nominal_v = 18.0

    [[fitting]]
    name = "19 mm socket, no extension"

    [[claim]]                     # what a leaflet or box states about a tool
    tool = "Larkhill 400"
    quantity = "maximum torque"   # or tightening torque, loosening torque, blow rate
    value = 400
    unit = "N·m"                  # or lbf·ft; a blow rate in 1/s or 1/min
    source = "box"

A thing keeps its id as long as its whole description stays the same: the id is a UUID made from the
description (version 5), so a tool described again in another file is the same tool, and a changed
description is a new entry that leaves old runs as they were.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Any, TypeVar

from anviltrace.errors import PlanError
from anviltrace.records import Claim, Duty, Fitting, Rig, RigKind, Supply, Tool, described_id
from anviltrace.tables import (
    Limits,
    check_names,
    find_named,
    read_list,
    read_table,
    read_toml,
    refuse_unknown,
)
from anviltrace.units import NM_PER_LBF_FT

FILE = "bench file"
SUPPLY_KINDS = ("pack", "mains adapter", "air")

_TORQUES = {"N·m": ("N·m", 1.0), "Nm": ("N·m", 1.0), "lbf·ft": ("N·m", NM_PER_LBF_FT)}
_RATES = {"1/s": ("1/s", 1.0), "1/min": ("1/s", 1.0 / 60.0)}

CLAIM_UNITS = {
    "maximum torque": _TORQUES,
    "tightening torque": _TORQUES,
    "loosening torque": _TORQUES,
    "blow rate": _RATES,
}
"""What can be claimed, the units it may be written in, and the unit and factor it is kept in."""

Thing = TypeVar("Thing", Tool, Supply, Fitting)
Choice = TypeVar("Choice")


@dataclass(frozen=True, slots=True, kw_only=True)
class _RigTable:
    name: str
    kind: RigKind
    note: str = ""
    cable: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class _ToolTable:
    name: str
    maker: str = ""
    model: str = ""
    serial: str = ""
    drive: str = ""
    mass_kg: Annotated[float | None, Limits(0.05, 100.0)] = None
    length_mm: Annotated[float | None, Limits(10.0, 2000.0)] = None
    price: Annotated[float | None, Limits(0.0, 1e6)] = None
    currency: str = ""
    note: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class _SupplyTable:
    name: str
    kind: str
    nominal_v: Annotated[float | None, Limits(0.1, 1000.0)] = None
    capacity_ah: Annotated[float | None, Limits(0.01, 1000.0)] = None
    note: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class _FittingTable:
    name: str
    note: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class _ClaimTable:
    tool: str
    quantity: str
    value: Annotated[float, Limits(0.001, 1e6)]
    unit: str
    duty: Duty | None = None
    source: str = ""


@dataclass(frozen=True, slots=True)
class Bench:
    """What a bench file describes. ``cable`` (empty: not stated) leads from the bridge to the converter."""

    rig: Rig
    tools: tuple[Tool, ...]
    supplies: tuple[Supply, ...]
    fittings: tuple[Fitting, ...]
    claims: tuple[Claim, ...] = ()
    cable: str = ""

    def tool(self, name: str) -> Tool:
        """The tool of this name; raises PlanError listing those there are."""
        return find_named(self.tools, name, "tool", FILE)

    def supply(self, name: str) -> Supply:
        """The supply of this name; raises PlanError listing those there are."""
        return find_named(self.supplies, name, "supply", FILE)

    def fitting(self, name: str) -> Fitting:
        """The fitting of this name; raises PlanError listing those there are."""
        return find_named(self.fittings, name, "fitting", FILE)

    def claims_of(self, tool: Tool) -> tuple[Claim, ...]:
        """What is claimed of a tool."""
        return tuple(claim for claim in self.claims if claim.tool_id == tool.id)


def read_bench(path: Path) -> Bench:
    """Read a bench file; raises PlanError naming file, key, value and limit."""
    tables, _ = read_toml(path)
    file = str(path)
    for key in tables:
        refuse_unknown(key, dict.fromkeys(("rig", "tool", "supply", "fitting", "claim")), file, "")
    if "rig" not in tables:
        raise PlanError(f"{file}: the table [rig] is missing; describe the rig with name and kind")
    rig = read_table(_RigTable, tables["rig"], file, "rig")
    bench = Bench(
        _rig(rig),
        _records(Tool, _ToolTable, tables, "tool", file),
        _records(Supply, _SupplyTable, tables, "supply", file),
        _records(Fitting, _FittingTable, tables, "fitting", file),
        cable=rig.cable,
    )
    for supply in bench.supplies:
        if supply.kind not in SUPPLY_KINDS:
            raise PlanError(
                f"{file}: supply {supply.name!r} has kind {supply.kind!r}; "
                f"use one of: {', '.join(SUPPLY_KINDS)}"
            )
    rows = read_list(_ClaimTable, tables, "claim", file)
    claims = tuple(_claim(row, number, bench, file) for number, row in enumerate(rows, 1))
    return dataclasses.replace(bench, claims=claims)


def _claim(table: _ClaimTable, number: int, bench: Bench, file: str) -> Claim:
    """One claim, in the unit it is kept in; its id comes from what was written."""
    where = f"claim {number}"
    units = _one_of(table.quantity, CLAIM_UNITS, file, f"{where}.quantity")
    unit, factor = _one_of(table.unit, units, file, f"{where}.unit")
    try:
        tool = bench.tool(table.tool)
    except PlanError as error:
        raise PlanError(f"{file}: {where}.tool: {error}") from error
    return Claim(
        id=described_id("Claim", [tool.id, dataclasses.asdict(table)]),
        tool_id=tool.id,
        quantity=table.quantity,
        value=table.value * factor,
        unit=unit,
        duty="" if table.duty is None else table.duty.value,
        source=table.source,
    )


def _one_of(value: str, choices: Mapping[str, Choice], file: str, where: str) -> Choice:
    if value not in choices:
        raise PlanError(f"{file}: {where} = {value!r} is not possible; use one of: {', '.join(choices)}")
    return choices[value]


def _records(
    kind: type[Thing], table: type[Any], tables: dict[str, Any], key: str, file: str
) -> tuple[Thing, ...]:
    found = tuple(_record(kind, row) for row in read_list(table, tables, key, file))
    check_names([thing.name for thing in found], key, file)
    return found


def _rig(table: _RigTable) -> Rig:
    """The rig without its cable: with a new one it is still the same rig."""
    values = {name: value for name, value in dataclasses.asdict(table).items() if name != "cable"}
    return Rig(id=described_id("Rig", values), **values)


def _record(kind: type[Thing], table: Any) -> Thing:
    values = dataclasses.asdict(table)
    return kind(id=described_id(kind.__name__, values), **values)
