"""The shunts of a weights file: resistors that are laid across one arm of the bridge."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Annotated, Any

from anviltrace.errors import PlanError
from anviltrace.records import Shunt, Spread, described_id
from anviltrace.tables import Limits, check_names, read_list


@dataclass(frozen=True, slots=True, kw_only=True)
class _ShuntTable:
    name: str
    resistor_ohm: Annotated[float, Limits(100.0, 1e8)]
    resistor_within_percent: Annotated[float | None, Limits(0.0, 20.0)] = None
    resistor_u_ohm: Annotated[float | None, Limits(0.0, 1e7)] = None
    bridge_ohm: Annotated[float, Limits(50.0, 20_000.0)]
    bridge_within_percent: Annotated[float | None, Limits(0.0, 20.0)] = None
    bridge_u_ohm: Annotated[float | None, Limits(0.0, 2_000.0)] = None
    note: str = ""


def read_shunts(tables: Mapping[str, Any], file: str) -> tuple[Shunt, ...]:
    """All ``[[shunt]]`` of a weights file; raises PlanError naming file, key, value and limit."""
    rows = read_list(_ShuntTable, tables, "shunt", file)
    check_names([row.name for row in rows], "shunt", file)
    return tuple(_shunt(row, file) for row in rows)


def _shunt(row: _ShuntTable, file: str) -> Shunt:
    limits = row.resistor_within_percent, row.bridge_within_percent
    stated = row.resistor_u_ohm, row.bridge_u_ohm
    if None not in limits and stated == (None, None):
        resistor, bridge = ((within or 0.0) / 100.0 / math.sqrt(3.0) for within in limits)
        resistor_u_ohm, bridge_u_ohm = resistor * row.resistor_ohm, bridge * row.bridge_ohm
        spread = Spread.RECTANGULAR
    elif None not in stated and limits == (None, None):
        resistor_u_ohm, bridge_u_ohm = (u or 0.0 for u in stated)
        spread = Spread.NORMAL
    else:
        raise PlanError(
            f"{file}: shunt {row.name!r} needs either resistor_within_percent and bridge_within_percent "
            "(limits), or resistor_u_ohm and bridge_u_ohm (standard uncertainties)"
        )
    left_out = ("resistor_within_percent", "bridge_within_percent")
    values = {name: value for name, value in dataclasses.asdict(row).items() if name not in left_out}
    values |= {"resistor_u_ohm": resistor_u_ohm, "bridge_u_ohm": bridge_u_ohm, "spread": spread}
    return Shunt(id=described_id("Shunt", values), **values)
