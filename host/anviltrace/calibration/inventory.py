"""The weights file: masses, arms and the place of the bench, as the workshop knows them, in TOML.

::

    [site]
    latitude_deg = 52.1               # or gravity_m_per_s2 with gravity_u_m_per_s2
    height_m = 160.0
    air_temperature_c = 18.0          # optional, all three; limits: air_temperature_within_c, else 2.0,
    air_pressure_hpa = 995.0          # air_pressure_within_hpa, else 5.0, and
    air_humidity_percent = 60.0       # air_humidity_within_percent, else 20.0

    [[arm]]
    name = "long arm"
    length_m = 0.8000                 # from the axis to where the weights pull
    within_m = 0.0005                 # limits, or u_m for a standard uncertainty
    tape = "II"                       # optional, with within_m: a tape of EU class I, II or III
    highest_nm = 400                  # optional: torque it bears; no load beyond it is asked for
    own_mass_kg = 3.1                 # optional, all four: the empty arm's mass, and where its centre of
    own_within_kg = 0.05              # gravity lies: its distance from the axis, positive towards the weights
    own_centre_m = 0.32
    own_centre_within_m = 0.01

    [[mass]]
    name = "plate A"
    mass_kg = 10.02
    within_kg = 0.02                  # limits, or u_kg for a standard uncertainty; or, for a weight of an
                                      # OIML class: class = "M1", or M2, M3, F1, F2

    [[mass]]
    name = "plate B"
    mass_kg = 9.987                   # the mean of five weighings, with its standard uncertainty
    u_kg = 0.006
    dof = 4                           # optional, with u_kg or u_m: degrees of freedom behind it

    [[step]]                          # optional: else one weight more at each step, in this order
    masses = ["hanger", "plate A"]
    angle_deg = 0.3                   # optional: of the arm under this load, against the horizontal

    [[shunt]]                         # optional: a resistor to be laid across one arm of the bridge
    name = "100 kilohm"
    resistor_ohm = 100000
    resistor_within_percent = 0.1     # limits of both, or resistor_u_ohm and bridge_u_ohm
    bridge_ohm = 350                  # of one arm of the bridge
    bridge_within_percent = 0.3

    [reading]                         # optional: how a reading is taken
    wait_s = 30.0                     # at least so long after hanging; 30 s is common practice

    [preload]                         # optional: to the highest load and back before the readings
    count = 1
    hold_s = 30.0                     # waited with the load on, and off again

    [course]                          # optional: how a full course is taken
    mountings = 4                     # in so many positions of the arm, a turn divided equally
    warm_up_s = 900                   # with the supply on, before the first reading
    preloads = 3                      # in the first mounting; the others take those of [preload]
    zero_wait_s = 30                  # from taking the weights off to reading the zero
    ask_angle = false                 # ask for the angle of the arm under every load

    [calibration]                     # optional
    valid_days = 365                  # how long you rely on one; older ones are flagged

A weight with ``check = true`` is kept for checks and hung only where a step names it. An arm more than 10°
from level is refused. A thing keeps its id as long as its description stays the same.

The hanger (hook, pin, strap) is hung after the zero as a weight of its own, weighed like the others; or it
stays on while the zero is read, then it is part of the zero and no weight: leave it out of this file. The
empty arm is always on at the zero. Only with its angle does its moment change, which is reckoned with where
the arm is described; it counts in what the arm bears, and a full course holds it against the change of the
zero when the arm was put on.

The air pressure is that at the bench: weather reports give it reduced to sea level, too high by about 1 hPa
for every 8 m of height. Instead of the air's state its density can be stated, ``air_density_kg_per_m3`` and
``air_density_within_kg_per_m3``; without either it is taken as 1.2 ± 0.06. Formula:
:mod:`anviltrace.calibration.air`.

A weight by ``class`` has its nominal value as conventional mass and the limits of its class: so it left the
maker, and so it is only while it is not worn. A tape's limits are added to ``within_m``, which is what
reading the tape and finding the axis leave in doubt. Both tables are in
:mod:`anviltrace.calibration.tolerances`, second-hand: neither standard was itself at hand.
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Annotated, Any, TypedDict, TypeVar

from anviltrace.calibration.air import DEFAULT_WITHIN, Air, air_density, air_density_u
from anviltrace.calibration.gravity import RELATIVE_U, normal_gravity
from anviltrace.calibration.ladder import MOST_ANGLE_DEG, Load, Manner, Preload, one_more_each_time
from anviltrace.calibration.otherunits import refuse_other_units
from anviltrace.calibration.shuntfile import read_shunts
from anviltrace.calibration.stability import Gate
from anviltrace.calibration.tolerances import WEIGHT_LIMITS_MG, TapeClass, WeightClass, tape_limit_m
from anviltrace.errors import PlanError
from anviltrace.records import Arm, Mass, Shunt, Spread, described_id
from anviltrace.tables import (
    Limits,
    check_names,
    find_named,
    read_list,
    read_table,
    read_toml,
    refuse_unknown,
)

Thing = TypeVar("Thing", Mass, Arm)

FILE = "weights file"

_ANGLES = Limits(-MOST_ANGLE_DEG, MOST_ANGLE_DEG)
_DOF = Limits(1.0, 1e6)
_GATE = Gate()
_PRELOAD = Preload()
_MANNER = Manner()
_TABLES = dict.fromkeys(
    ("site", "mass", "arm", "shunt", "step", "reading", "preload", "course", "calibration")
)


@dataclass(frozen=True, slots=True)
class Site:
    """Gravity and air density at the bench; ``u_`` values are standard uncertainties."""

    gravity_m_per_s2: float
    gravity_u_m_per_s2: float
    gravity_source: str
    air_density_kg_per_m3: float = 1.2
    air_density_u_kg_per_m3: float = 0.06 / math.sqrt(3.0)


class SiteFields(TypedDict):
    """A site as calibrations and checks record it."""

    gravity_m_per_s2: float
    gravity_u_m_per_s2: float
    gravity_source: str
    air_density_kg_per_m3: float
    air_density_u_kg_per_m3: float


def site_fields(site: Site) -> SiteFields:
    """A site under the names that a calibration and a check have for it."""
    return {
        "gravity_m_per_s2": site.gravity_m_per_s2,
        "gravity_u_m_per_s2": site.gravity_u_m_per_s2,
        "gravity_source": site.gravity_source,
        "air_density_kg_per_m3": site.air_density_kg_per_m3,
        "air_density_u_kg_per_m3": site.air_density_u_kg_per_m3,
    }


@dataclass(frozen=True, slots=True)
class Inventory:
    """What a weights file describes. ``ladder`` holds the loads of a series in rising order.

    ``ratings_nm`` is what arms bear, by name, where that is known.
    """

    site: Site
    masses: tuple[Mass, ...]
    arms: tuple[Arm, ...]
    ladder: tuple[Load, ...]
    gate: Gate = _GATE
    preload: Preload = _PRELOAD
    valid_days: float | None = None
    manner: Manner = _MANNER
    ratings_nm: Mapping[str, float] = field(default_factory=dict)
    shunts: tuple[Shunt, ...] = ()

    def arm(self, name: str) -> Arm:
        """The arm of this name; raises PlanError listing those there are."""
        return find_named(self.arms, name, "arm", FILE)

    def mass(self, name: str) -> Mass:
        """The weight of this name; raises PlanError listing those there are."""
        return find_named(self.masses, name, "mass", FILE)

    def shunt(self, name: str) -> Shunt:
        """The shunt of this name; raises PlanError listing those there are."""
        return find_named(self.shunts, name, "shunt", FILE)


@dataclass(frozen=True, slots=True, kw_only=True)
class _SiteTable:
    gravity_m_per_s2: Annotated[float | None, Limits(9.70, 9.90)] = None
    gravity_u_m_per_s2: Annotated[float | None, Limits(0.0, 0.1)] = None
    latitude_deg: Annotated[float | None, Limits(-90.0, 90.0)] = None
    height_m: Annotated[float | None, Limits(-500.0, 9000.0)] = None
    air_density_kg_per_m3: Annotated[float | None, Limits(0.5, 1.5)] = None
    air_density_within_kg_per_m3: Annotated[float | None, Limits(0.0, 0.5)] = None
    air_temperature_c: Annotated[float | None, Limits(0.0, 40.0)] = None
    air_temperature_within_c: Annotated[float | None, Limits(0.0, 20.0)] = None
    air_pressure_hpa: Annotated[float | None, Limits(600.0, 1100.0)] = None
    air_pressure_within_hpa: Annotated[float | None, Limits(0.0, 100.0)] = None
    air_humidity_percent: Annotated[float | None, Limits(0.0, 100.0)] = None
    air_humidity_within_percent: Annotated[float | None, Limits(0.0, 100.0)] = None


@dataclass(frozen=True, slots=True, kw_only=True)
class _MassTable:
    name: str
    mass_kg: Annotated[float, Limits(0.001, 500.0)]
    within_kg: Annotated[float | None, Limits(0.0, 50.0)] = None
    u_kg: Annotated[float | None, Limits(0.0, 50.0)] = None
    class_: WeightClass | None = None
    conventional: bool = False
    density_kg_per_m3: Annotated[float, Limits(500.0, 22_000.0)] = 7850.0
    density_u_kg_per_m3: Annotated[float, Limits(0.0, 5_000.0)] = 100.0
    check: bool = False
    note: str = ""
    dof: Annotated[float | None, _DOF] = None


@dataclass(frozen=True, slots=True, kw_only=True)
class _ArmTable:
    name: str
    length_m: Annotated[float, Limits(0.02, 5.0)]
    within_m: Annotated[float | None, Limits(0.0, 0.5)] = None
    u_m: Annotated[float | None, Limits(0.0, 0.5)] = None
    tape: TapeClass | None = None
    angle_deg: Annotated[float, _ANGLES] = 0.0
    angle_within_deg: Annotated[float, Limits(0.0, 10.0)] = 1.0
    highest_nm: Annotated[float | None, Limits(0.1, 20_000.0)] = None
    note: str = ""
    dof: Annotated[float | None, _DOF] = None
    own_mass_kg: Annotated[float | None, Limits(0.001, 500.0)] = None
    own_within_kg: Annotated[float | None, Limits(0.0, 50.0)] = None
    own_centre_m: Annotated[float | None, Limits(-5.0, 5.0)] = None
    own_centre_within_m: Annotated[float | None, Limits(0.0, 2.0)] = None


@dataclass(frozen=True, slots=True, kw_only=True)
class _StepTable:
    masses: list  # type: ignore[type-arg]
    angle_deg: Annotated[float | None, _ANGLES] = None


@dataclass(frozen=True, slots=True, kw_only=True)
class _ReadingTable:
    window_s: Annotated[float, Limits(1.0, 60.0)] = _GATE.window_s
    wait_s: Annotated[float, Limits(0.0, 600.0)] = _GATE.wait_s
    longest_s: Annotated[float, Limits(5.0, 3600.0)] = _GATE.longest_s


@dataclass(frozen=True, slots=True, kw_only=True)
class _PreloadTable:
    count: Annotated[int, Limits(0, 10)] = _PRELOAD.count
    hold_s: Annotated[float, Limits(0.0, 600.0)] = _PRELOAD.hold_s


@dataclass(frozen=True, slots=True, kw_only=True)
class _CourseTable:
    mountings: Annotated[int, Limits(1, 12)] = _MANNER.mountings
    warm_up_s: Annotated[float, Limits(0.0, 3600.0)] = _MANNER.warm_up_s
    preloads: Annotated[int, Limits(0, 10)] = _MANNER.preloads
    zero_wait_s: Annotated[float, Limits(0.0, 600.0)] = _MANNER.zero_wait_s
    ask_angle: bool = _MANNER.ask_angle


@dataclass(frozen=True, slots=True, kw_only=True)
class _CalibrationTable:
    valid_days: Annotated[float | None, Limits(1.0, 3660.0)] = None


def read_inventory(path: Path) -> Inventory:
    """Read a weights file; raises PlanError naming file, key, value and limit."""
    tables, _ = read_toml(path)
    file = str(path)
    for key in tables:
        refuse_unknown(key, _TABLES, file, "")
    if "site" not in tables:
        raise PlanError(f"{file}: the table [site] is missing; give latitude_deg and height_m")
    site = _site(read_table(_SiteTable, tables["site"], file, "site"), file)
    refuse_other_units(tables, file)
    rows = read_list(_MassTable, tables, "mass", file)
    masses = tuple(_mass(row, file) for row in rows)
    arm_rows = read_list(_ArmTable, tables, "arm", file)
    arms = tuple(_arm(row, file) for row in arm_rows)
    check_names([mass.name for mass in masses], "mass", file)
    check_names([arm.name for arm in arms], "arm", file)
    steps = read_list(_StepTable, tables, "step", file)
    everyday = [mass for mass, row in zip(masses, rows, strict=True) if not row.check]
    ladder = tuple(_load(step, masses, file) for step in steps) or one_more_each_time(everyday)
    reading = read_table(_ReadingTable, tables.get("reading", {}), file, "reading")
    preload = read_table(_PreloadTable, tables.get("preload", {}), file, "preload")
    return Inventory(
        site,
        masses,
        arms,
        ladder,
        Gate(**dataclasses.asdict(reading)),
        Preload(**dataclasses.asdict(preload)),
        read_table(_CalibrationTable, tables.get("calibration", {}), file, "calibration").valid_days,
        Manner(**dataclasses.asdict(read_table(_CourseTable, tables.get("course", {}), file, "course"))),
        {row.name: row.highest_nm for row in arm_rows if row.highest_nm is not None},
        read_shunts(tables, file),
    )


def _site(table: _SiteTable, file: str) -> Site:
    return Site(*_gravity(table, file), *_air_density(table, file))


def _air_density(table: _SiteTable, file: str) -> tuple[float, float]:
    """Density of the air and its standard uncertainty, kg/m³: stated, from its state, or as in any room."""
    density, within = table.air_density_kg_per_m3, table.air_density_within_kg_per_m3
    temperature_c, pressure_hpa = table.air_temperature_c, table.air_pressure_hpa
    humidity_percent = table.air_humidity_percent
    half_widths = (
        table.air_temperature_within_c,
        table.air_pressure_within_hpa,
        table.air_humidity_within_percent,
    )
    if all(value is None for value in (temperature_c, pressure_hpa, humidity_percent, *half_widths)):
        return _stated_or(density, 1.2), _stated_or(within, 0.06) / math.sqrt(3.0)
    if temperature_c is None or pressure_hpa is None or humidity_percent is None:
        raise PlanError(
            f"{file}: [site] needs all of air_temperature_c, air_pressure_hpa and air_humidity_percent, or "
            "nothing of the three"
        )
    if density is not None or within is not None:
        raise PlanError(f"{file}: [site] states the air's density and its state; leave out one of them")
    air = Air(temperature_c, pressure_hpa, humidity_percent)
    known = Air(*map(_stated_or, half_widths, dataclasses.astuple(DEFAULT_WITHIN)))
    return air_density(air), air_density_u(air, known)


def _stated_or(stated: float | None, default: float) -> float:
    return default if stated is None else stated


def _gravity(table: _SiteTable, file: str) -> tuple[float, float, str]:
    measured, u = table.gravity_m_per_s2, table.gravity_u_m_per_s2
    latitude, height = table.latitude_deg, table.height_m
    if measured is not None and u is not None and latitude is None and height is None:
        return measured, u, "measured"
    if measured is None and u is None and latitude is not None and height is not None:
        normal = normal_gravity(latitude, height)
        return normal, normal * RELATIVE_U, f"GRS80 at {latitude:g}° latitude, {height:g} m"
    raise PlanError(
        f"{file}: [site] needs either latitude_deg and height_m, or gravity_m_per_s2 and gravity_u_m_per_s2"
    )


def _mass(row: _MassTable, file: str) -> Mass:
    if row.class_ is not None:
        row = _of_class(row, row.class_, file)
    u_kg, spread = _standard(row.within_kg, row.u_kg, row.dof, "kg", f"mass {row.name!r}", file)
    left_out = ("within_kg", "class_", "check", "dof")
    values = {name: value for name, value in dataclasses.asdict(row).items() if name not in left_out}
    return _record(Mass, values | {"u_kg": u_kg, "spread": spread} | _stated(dof=row.dof))


def _of_class(row: _MassTable, weight_class: WeightClass, file: str) -> _MassTable:
    """The same row with the limits of its class, which it notes."""
    limits_mg, what = WEIGHT_LIMITS_MG[weight_class], f"{file}: mass {row.name!r}"
    if row.within_kg is not None or row.u_kg is not None:
        raise PlanError(f"{what} has a class, which sets its limits; leave out within_kg and u_kg, or class")
    if row.mass_kg not in limits_mg:
        there = ", ".join(f"{nominal_kg:g}" for nominal_kg in limits_mg)
        raise PlanError(
            f"{what} of {row.mass_kg:g} kg: limits by class are known here for {there} kg only; "
            "give within_kg instead of class"
        )
    note = _noted(row.note, f"limits of OIML class {weight_class}, table second-hand")
    within_kg = 1e-6 * limits_mg[row.mass_kg]
    return dataclasses.replace(row, within_kg=within_kg, conventional=True, note=note)


def _arm(row: _ArmTable, file: str) -> Arm:
    if row.tape is not None:
        row = _by_tape(row, row.tape, file)
    u_m, spread = _standard(row.within_m, row.u_m, row.dof, "m", f"arm {row.name!r}", file)
    taken = ("name", "length_m", "angle_deg", "angle_within_deg", "note")
    values = {name: value for name, value in dataclasses.asdict(row).items() if name in taken}
    own = _own_moment(row, file)
    return _record(Arm, values | {"u_m": u_m, "spread": spread} | _stated(dof=row.dof) | own)


def _own_moment(row: _ArmTable, file: str) -> dict[str, float]:
    """What is stated of the empty arm: all of it, or nothing."""
    keys = ("own_mass_kg", "own_within_kg", "own_centre_m", "own_centre_within_m")
    stated = _stated(**{key: getattr(row, key) for key in keys})
    if not stated:
        return {}
    if missing := [key for key in keys if key not in stated]:
        raise PlanError(
            f"{file}: arm {row.name!r} describes the empty arm but lacks {missing[0]}; give all of "
            f"{', '.join(keys)}, or nothing of it"
        )
    return {
        "own_mass_kg": stated["own_mass_kg"],
        "own_mass_u_kg": stated["own_within_kg"] / math.sqrt(3.0),
        "own_centre_m": stated["own_centre_m"],
        "own_centre_u_m": stated["own_centre_within_m"] / math.sqrt(3.0),
    }


def _stated(**values: float | None) -> dict[str, float]:
    """Those that are given: what nobody states is no part of a description, whose id stays as it was."""
    return {name: value for name, value in values.items() if value is not None}


def _by_tape(row: _ArmTable, tape: TapeClass, file: str) -> _ArmTable:
    """The same row with the tape's limits added to its own, which it notes."""
    if row.within_m is None:
        raise PlanError(
            f"{file}: arm {row.name!r} has a tape, which is not all that is in doubt; give within_m too: "
            "what reading the tape and finding the axis leave, such as 0.0005"
        )
    note = _noted(row.note, f"limits of a tape of EU class {tape} added, table second-hand")
    return dataclasses.replace(row, within_m=row.within_m + tape_limit_m(tape, row.length_m), note=note)


def _noted(note: str, more: str) -> str:
    return f"{note}; {more}" if note else more


def _standard(
    within: float | None, u: float | None, dof: float | None, unit: str, what: str, file: str
) -> tuple[float, Spread]:
    """Standard uncertainty and distribution, from limits or from a standard uncertainty."""
    if (within is None) == (u is None):
        raise PlanError(
            f"{file}: {what} needs one of within_{unit} (limits) and u_{unit} (standard uncertainty)"
        )
    if within is not None and dof is not None:
        raise PlanError(
            f"{file}: {what} has dof = {dof:g} beside limits, which have no degrees of freedom: leave dof "
            f"out, or give u_{unit}, the standard deviation of n readings over √n, with dof = n − 1"
        )
    if within is not None:
        return within / math.sqrt(3.0), Spread.RECTANGULAR
    assert u is not None
    return u, Spread.NORMAL


def _record(kind: type[Thing], values: dict[str, Any]) -> Thing:
    return kind(id=described_id(kind.__name__, values), **values)


def _load(step: _StepTable, masses: tuple[Mass, ...], file: str) -> Load:
    for name in step.masses:
        if not isinstance(name, str):
            raise PlanError(f"{file}: a [[step]] names the mass {name!r}; write names in quotes")
    return Load(tuple(find_named(masses, name, "mass", FILE) for name in step.masses), step.angle_deg)
