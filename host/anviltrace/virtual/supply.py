"""What feeds the tool: a voltage that sags under load, tires over the run and recovers at rest.

V = V_open(charge) − I·R_inner − V_slow, where V_open falls in a straight line from ``full_v`` to
``empty_v`` as the capacity is drained, and V_slow creeps towards I·R_slow with the time constant
``slow_s`` (polarisation of a pack). A mains adapter has no capacity and does not tire.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Annotated

from anviltrace.tables import Limits


@dataclass(frozen=True, slots=True, kw_only=True)
class Supply:
    """A pack or adapter as nature made it; ``charge`` is the share of its capacity left at the start."""

    full_v: Annotated[float, Limits(1.0, 500.0)]
    inner_ohm: Annotated[float, Limits(0.0, 10.0)]
    empty_v: Annotated[float, Limits(0.0, 500.0)] = 0.0
    capacity_ah: Annotated[float | None, Limits(0.01, 1000.0)] = None
    charge: Annotated[float, Limits(0.0, 1.0)] = 1.0
    slow_ohm: Annotated[float, Limits(0.0, 10.0)] = 0.0
    slow_s: Annotated[float, Limits(0.1, 600.0)] = 10.0


class SupplyState:
    """A supply in use. Times are world time in seconds and never run backwards."""

    def __init__(self, supply: Supply) -> None:
        self._supply = supply
        self._charge = supply.charge
        self._slow_v = 0.0
        self._at_s = 0.0

    @property
    def supply(self) -> Supply:
        """What is in use."""
        return self._supply

    @property
    def slow_v(self) -> float:
        """What polarisation takes off the voltage just now."""
        return self._slow_v

    @property
    def charge(self) -> float:
        """Share of the capacity left, 0 to 1; stays where it is for a supply without a capacity."""
        return self._charge

    @property
    def empty(self) -> bool:
        """True when nothing is left to draw."""
        return self._supply.capacity_ah is not None and self._charge <= 0.0

    @property
    def open_v(self) -> float:
        """Voltage without load, rested."""
        supply = self._supply
        if supply.capacity_ah is None:
            return supply.full_v
        return supply.empty_v + (supply.full_v - supply.empty_v) * self._charge

    def voltage_v(self, current_a: float) -> float:
        """Voltage at the terminals under ``current_a``, never below 0."""
        return max(0.0, self.open_v - current_a * self._supply.inner_ohm - self._slow_v)

    def pass_time(self, until_s: float, current_a: float) -> None:
        """Draw ``current_a`` from where the clock stands until ``until_s``."""
        supply, step_s = self._supply, max(0.0, until_s - self._at_s)
        self._at_s = max(self._at_s, until_s)
        if supply.capacity_ah is not None:
            self._charge = max(0.0, self._charge - current_a * step_s / 3600.0 / supply.capacity_ah)
        target_v = current_a * supply.slow_ohm
        self._slow_v = target_v + (self._slow_v - target_v) * math.exp(-step_s / supply.slow_s)
