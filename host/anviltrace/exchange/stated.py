"""What somebody who brings a recording in has to state, since the file does not say it."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import Protocol

from anviltrace.errors import LackingError, PlanError
from anviltrace.records import Fitting, Plan, Rig, ScaleKind, Supply, Tool
from anviltrace.units import NM_PER_KGF_M, NM_PER_LBF_FT


class ForeignUnit(StrEnum):
    """Units that values of a foreign recording may have."""

    NM = "N·m"
    LBF_FT = "lbf·ft"
    KGF_M = "kgf·m"
    V = "V"
    MV = "mV"
    MV_PER_V = "mV/V"


KEPT_IN = {
    ForeignUnit.NM: (ScaleKind.TORQUE, 1.0),
    ForeignUnit.LBF_FT: (ScaleKind.TORQUE, NM_PER_LBF_FT),
    ForeignUnit.KGF_M: (ScaleKind.TORQUE, NM_PER_KGF_M),
    ForeignUnit.V: (ScaleKind.VOLTAGE, 1.0),
    ForeignUnit.MV: (ScaleKind.VOLTAGE, 1e-3),
    ForeignUnit.MV_PER_V: (ScaleKind.RATIO, 1.0),
}
"""The kind of scale a unit is kept in, and the factor to it."""

KNOWN_UNITS = frozenset(unit.value for unit in ForeignUnit)
"""Units that a heading must not contradict."""


class HowToRead(Protocol):
    """What reading a file takes: ``unit`` is that of its values, ``factor`` from it to that which is kept.

    ``full_scale`` is what the recorder can show at most, in the unit. ``time_unit_s`` is None where the file
    is believed about the unit of its times, which is a second where it says nothing.
    """

    @property
    def unit(self) -> str: ...
    @property
    def factor(self) -> float: ...
    @property
    def full_scale(self) -> float | None: ...
    @property
    def rate_hz(self) -> float | None: ...
    @property
    def time_unit_s(self) -> float | None: ...


@dataclass(frozen=True, slots=True)
class Stretch:
    """A part of the recording, in seconds of the file's own time; the end is not in it."""

    start_s: float
    end_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Stated:
    """``nm_per_unit`` turns the unit into torque, negative where the channel reads the other way round; None
    leaves torque unknown. ``within_percent`` is how far that may be off, limits. ``full_scale`` is what the
    recorder can show at most, in the unit. ``zeros`` are stretches with the tool off and the joint slack.
    """

    unit: ForeignUnit
    plan: Plan
    rig: Rig
    tool: Tool | None = None
    supply: Supply | None = None
    supply_state: str = ""
    fitting: Fitting | None = None
    rate_hz: float | None = None
    time_unit_s: float | None = None
    full_scale: float | None = None
    nm_per_unit: float | None = None
    within_percent: float | None = None
    zeros: tuple[Stretch, ...] = ()
    recorded_at: str = ""
    operator: str = ""
    note: str = ""

    @property
    def scale_kind(self) -> ScaleKind:
        """What the counts that are kept stand for."""
        return KEPT_IN[self.unit][0]

    @property
    def factor(self) -> float:
        """From the unit to that in which the recording is kept."""
        return KEPT_IN[self.unit][1]

    def nm_per_kept(self) -> float | None:
        """N·m per unit of the scale that is kept, None where nobody knows.

        Raises LackingError when torque is known without saying how well, PlanError when it is scaled twice.
        """
        torque = self.scale_kind is ScaleKind.TORQUE
        if not torque and self.nm_per_unit is None:
            return None
        if self.within_percent is None:
            raise LackingError(
                "how well the torque of this recording is known is not stated: give --within in percent, "
                "from the calibration certificate or data sheet of what recorded it",
                "within_percent",
            )
        stated = 1.0 if self.nm_per_unit is None else self.nm_per_unit
        if stated == 0.0:
            raise PlanError(f"--nm-per-unit is 0: give the N·m that one {self.unit.value} stands for")
        if torque and abs(stated) != 1.0:
            raise PlanError(
                f"the values are in {self.unit.value} already, so --nm-per-unit is 1 or -1; drop {stated:g}"
            )
        return stated if torque else stated / self.factor
