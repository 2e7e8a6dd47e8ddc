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

A thing keeps its id as long as its whole description stays the same: the id is a UUID made from the
description (version 5), so a tool described again in another file is the same tool, and a changed
description is a new entry that leaves old runs as they were.
"""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Any, TypeVar

from anviltrace.errors import PlanError
from anviltrace.records import Fitting, Rig, RigKind, Supply, Tool, described_id
from anviltrace.tables import Limits, read_table, read_toml, refuse_unknown

SUPPLY_KINDS = ("pack", "mains adapter", "air")

Thing = TypeVar("Thing", Rig, Tool, Supply, Fitting)


@dataclass(frozen=True, slots=True, kw_only=True)
class _RigTable:
    name: str
    kind: RigKind
    note: str = ""


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


@dataclass(frozen=True, slots=True)
class Bench:
    """What a bench file describes."""

    rig: Rig
    tools: tuple[Tool, ...]
    supplies: tuple[Supply, ...]
    fittings: tuple[Fitting, ...]

    def tool(self, name: str) -> Tool:
        """The tool of this name; raises PlanError listing those there are."""
        return _named(self.tools, name, "tool")

    def supply(self, name: str) -> Supply:
        """The supply of this name; raises PlanError listing those there are."""
        return _named(self.supplies, name, "supply")

    def fitting(self, name: str) -> Fitting:
        """The fitting of this name; raises PlanError listing those there are."""
        return _named(self.fittings, name, "fitting")


def read_bench(path: Path) -> Bench:
    """Read a bench file; raises PlanError naming file, key, value and limit."""
    tables, _ = read_toml(path)
    file = str(path)
    for key in tables:
        refuse_unknown(key, dict.fromkeys(("rig", "tool", "supply", "fitting")), file, "")
    if "rig" not in tables:
        raise PlanError(f"{file}: the table [rig] is missing; describe the rig with name and kind")
    bench = Bench(
        _record(Rig, read_table(_RigTable, tables["rig"], file, "rig")),
        _records(Tool, _ToolTable, tables, "tool", file),
        _records(Supply, _SupplyTable, tables, "supply", file),
        _records(Fitting, _FittingTable, tables, "fitting", file),
    )
    for supply in bench.supplies:
        if supply.kind not in SUPPLY_KINDS:
            raise PlanError(
                f"{file}: supply {supply.name!r} has kind {supply.kind!r}; "
                f"use one of: {', '.join(SUPPLY_KINDS)}"
            )
    return bench


def _records(
    kind: type[Thing], table: type, tables: dict[str, Any], key: str, file: str
) -> tuple[Thing, ...]:
    entries = tables.get(key, [])
    if not isinstance(entries, list):
        raise PlanError(f"{file}: {key} must be a list of tables; write [[{key}]] above each")
    found = tuple(
        _record(kind, read_table(table, entry, file, f"{key} {number}"))
        for number, entry in enumerate(entries, 1)
    )
    names = [thing.name for thing in found]
    for name in names:
        if names.count(name) > 1:
            raise PlanError(f"{file}: two of [[{key}]] are called {name!r}; give each a name of its own")
    return found


def _record(kind: type[Thing], table: Any) -> Thing:
    values = dataclasses.asdict(table)
    return kind(id=described_id(kind.__name__, values), **values)


def _named(things: tuple[Thing, ...], name: str, what: str) -> Thing:
    for thing in things:
        if thing.name == name:
            return thing
    known = ", ".join(repr(thing.name) for thing in things) or "none"
    raise PlanError(f"the bench file has no {what} {name!r}; it describes: {known}")
