"""Scenarios: what only nature knows about a bench, read from a TOML file.

What a tester knows (nominal masses, claims, prices, plans) has no place here. A scenario is named after
its file; :func:`load` takes the name of one that comes with the package, or a path. A file may begin with
``based_on = "NAME"`` to differ only in part from a scenario of the package.
"""

from __future__ import annotations

import os
from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from pathlib import Path
from typing import Annotated, Any, TypeVar

from anviltrace.errors import PlanError
from anviltrace.records import RigKind
from anviltrace.tables import Limits, as_table, read_table, read_toml, refuse_unknown
from anviltrace.virtual.board import Fault as BoardFault
from anviltrace.virtual.drive import Joint
from anviltrace.virtual.frontend import Converter, ConverterName
from anviltrace.virtual.lever import Arm, Mass, Site
from anviltrace.virtual.rig import Shunt, Transducer
from anviltrace.virtual.supply import Supply
from anviltrace.virtual.surroundings import Climate
from anviltrace.virtual.wrench import Friction, Wrench, blow_width_s

Part = TypeVar("Part")

_FOLDER = Path(__file__).with_name("scenarios")
_SINGLE = ("converter", "transducer", "joint", "site", "climate")
_NAMED = ("arms", "masses", "shunts", "tools", "supplies")
_TABLES = dict.fromkeys((*_SINGLE, *_NAMED, "faults", "sensors"))


class FaultKind(StrEnum):
    """What can go wrong on purpose in the board or its chip; the virtual board knows the details."""

    STRETCHED_CLOCK = "stretched clock"
    MISSED_READY = "missed ready"
    EXTRA_READY = "extra ready"
    SILENT = "silent"
    STRAY_TEXT = "stray text"
    BOARD_RESET = "board reset"
    CHIP_RESET = "chip reset"
    UNACKNOWLEDGED = "unacknowledged"
    STUCK = "stuck"
    SENSOR_SILENT = "sensor silent"
    SENSOR_FROZEN = "sensor frozen"

    @property
    def code(self) -> int:
        """Number under which the board's process is told; 0 is no fault."""
        return int(BoardFault[self.name])


@dataclass(frozen=True, slots=True, kw_only=True)
class Fault:
    """One fault, due at ``at_s`` of world time; what ``argument`` means depends on the kind."""

    at_s: Annotated[float, Limits(0.0, 1e6)]
    kind: FaultKind
    argument: Annotated[int, Limits(0, 65_535)] = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class Scenario:
    """A whole bench as nature made it."""

    name: str
    converter: Converter
    transducer: Transducer
    joint: Joint
    site: Site
    arms: Mapping[str, Arm]
    masses: Mapping[str, Mass]
    tools: Mapping[str, Wrench]
    supplies: Mapping[str, Supply]
    shunts: Mapping[str, Shunt]
    faults: tuple[Fault, ...] = ()
    climate: Climate = field(default_factory=Climate)
    sensors: tuple[Mapping[str, Any], ...] = ()
    """Side sensors as in ``SENSORS`` of the board's settings; pins left out are the usual ones."""


def names() -> list[str]:
    """Scenarios that come with the package."""
    return sorted(path.stem for path in _FOLDER.glob("*.toml"))


def load(name_or_path: str | os.PathLike[str]) -> Scenario:
    """The scenario of that name, or the one in the TOML file at that path.

    Raises PlanError when there is none, the file is not TOML in UTF-8, or a value is impossible.
    """
    path = _find(name_or_path)
    return parse(read_toml(path)[0], path.stem, str(path))


def parse(tables: Mapping[str, Any], name: str, file: str) -> Scenario:
    """A scenario from parsed TOML; ``file`` is how messages call it. Raises PlanError."""
    tables = _with_base(tables, file)
    for key in tables:
        refuse_unknown(key, _TABLES, file, "")
    scenario = Scenario(
        name=name,
        converter=read_table(Converter, tables.get("converter", {}), file, "converter"),
        transducer=read_table(Transducer, tables.get("transducer", {}), file, "transducer"),
        joint=_joint(tables.get("joint", {}), file),
        site=read_table(Site, tables.get("site", {}), file, "site"),
        arms=_named(Arm, tables, "arms", file),
        masses=_named(Mass, tables, "masses", file),
        tools=_named(Wrench, tables, "tools", file),
        supplies=_named(Supply, tables, "supplies", file),
        shunts=_named(Shunt, tables, "shunts", file),
        faults=_faults(tables.get("faults", []), file),
        climate=read_table(Climate, tables.get("climate", {}), file, "climate"),
        sensors=_sensors(tables.get("sensors", []), file),
    )
    _check_converter(scenario.converter, file)
    _check_joint(scenario.joint, file)
    for key, supply in scenario.supplies.items():
        _check_supply(key, supply, file)
    for key, tool in scenario.tools.items():
        _check_tool(key, tool, scenario, file)
    return scenario


def _find(name_or_path: str | os.PathLike[str]) -> Path:
    text = os.fspath(name_or_path)
    if text in names():
        return _FOLDER / f"{text}.toml"
    path = Path(text)
    if path.is_file():
        return path
    raise PlanError(f"no scenario {text!r}; use one of {', '.join(names())}, or the path of a TOML file")


def _with_base(tables: Mapping[str, Any], file: str) -> dict[str, Any]:
    """The tables laid over those of the scenario named by ``based_on``: values replace, the rest stays.

    ``[converter]``, ``[[faults]]`` and ``[[sensors]]`` are replaced as a whole: what suits one chip does not
    suit another.
    """
    own = dict(tables)
    base = own.pop("based_on", None)
    if base is None:
        return own
    if base not in names():
        raise PlanError(
            f"{file}: based_on = {base!r} is no scenario of the package; use one of: {', '.join(names())}"
        )
    merged = _with_base(read_toml(_find(base))[0], f"{base}.toml")
    for key, table in own.items():
        both = isinstance(table, Mapping) and isinstance(merged.get(key), Mapping) and key != "converter"
        merged[key] = {**merged[key], **table} if both else table
    return merged


def _named(kind: type[Part], tables: Mapping[str, Any], key: str, file: str) -> dict[str, Part]:
    entries = as_table(tables.get(key, {}), file, key)
    return {name: read_table(kind, entry, file, f"{key}.{name}") for name, entry in entries.items()}


def _joint(table: object, file: str) -> Joint:
    values = dict(as_table(table, file, "joint"))
    for key in ("tightening", "loosening"):
        if key in values:
            values[key] = read_table(Friction, values[key], file, f"joint.{key}")
    return read_table(Joint, values, file, "joint")


def _faults(entries: object, file: str) -> tuple[Fault, ...]:
    if not isinstance(entries, list):
        raise PlanError(f"{file}: faults = {entries!r} must be a list of tables; write each as [[faults]]")
    faults = [read_table(Fault, entry, file, f"faults.{number}") for number, entry in enumerate(entries)]
    return tuple(sorted(faults, key=lambda fault: fault.at_s))


def _sensors(entries: object, file: str) -> tuple[Mapping[str, Any], ...]:
    """Checked when the board's settings are made of them."""
    if not isinstance(entries, list):
        raise PlanError(f"{file}: sensors = {entries!r} must be a list of tables; write each as [[sensors]]")
    return tuple(as_table(entry, file, f"sensors.{number}") for number, entry in enumerate(entries))


def _check_converter(converter: Converter, file: str) -> None:
    if converter.name is ConverterName.HX711 and converter.rate_hz not in (10, 80):
        raise PlanError(
            f"{file}: converter.rate_hz = {converter.rate_hz} is no rate of an hx711; use 10 or 80"
        )
    if converter.name is not ConverterName.HX711 and converter.rate_hz is not None:
        raise PlanError(
            f"{file}: converter.rate_hz = {converter.rate_hz} is not for an {converter.name}; leave it out"
        )
    if converter.pio is not None and converter.name not in (ConverterName.HX711, ConverterName.ADS1256):
        raise PlanError(
            f"{file}: converter.pio = {converter.pio}: no state machine reads an {converter.name}: "
            "leave it out"
        )


def _check_joint(joint: Joint, file: str) -> None:
    """A climb that overshot its own end would not be one: K·η·s² must not exceed the blow stiffness."""
    if joint.kind is RigKind.FIXED:
        if joint.retained_nm:
            raise PlanError(
                f"{file}: joint.retained_nm = {joint.retained_nm:g}, but a fixed rig keeps none; use 0"
            )
        return
    friction, stiffness = joint.tightening, joint.blow_stiffness_nm_per_rad
    pull = friction.rate_nm_per_rad * friction.efficiency * friction.hold_ratio**2
    if pull > stiffness:
        raise PlanError(
            f"{file}: joint.tightening rate x efficiency x hold_ratio^2 = {pull:g} N·m/rad exceeds "
            f"blow_stiffness_nm_per_rad = {stiffness:g}; lower the rate or raise the stiffness"
        )
    if friction.hold_ratio < 1.0:
        raise PlanError(f"{file}: joint.tightening.hold_ratio = {friction.hold_ratio:g} is below 1; raise it")


def _check_supply(key: str, supply: Supply, file: str) -> None:
    if supply.empty_v >= supply.full_v:
        raise PlanError(
            f"{file}: supplies.{key}.empty_v = {supply.empty_v:g} is not below full_v = {supply.full_v:g}; "
            "lower it"
        )


def _check_tool(key: str, tool: Wrench, scenario: Scenario, file: str) -> None:
    """Blows must be over before the next one comes, doubles included."""
    width_s = float(blow_width_s(tool.hammer_inertia_kgm2, scenario.joint.blow_stiffness_nm_per_rad))
    double_s = max(tool.double_delay_s, 1.05 * width_s) if tool.double_share else 0.0
    longest_s = 0.3 / tool.blows_per_s
    if double_s + width_s > longest_s:
        raise PlanError(
            f"{file}: tools.{key}: a blow takes {1e3 * (double_s + width_s):.3g} ms, more than the "
            f"{1e3 * longest_s:.3g} ms that may pass between two; lower hammer_inertia_kgm2, blows_per_s "
            "or double_delay_s"
        )
