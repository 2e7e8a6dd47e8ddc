"""Units of torque, and numbers written for people.

N·m is the unit inside; lbf·ft is offered wherever a person asks for it. The factor is exact by
definition: 1 lb = 0.45359237 kg, 1 ft = 0.3048 m (international yard and pound agreement, 1959),
standard gravity 9.80665 m/s².
"""

from __future__ import annotations

import re
from enum import StrEnum

NM_PER_KGF_M = 9.80665
NM_PER_LBF_FT = 0.45359237 * NM_PER_KGF_M * 0.3048

_SQUARED = re.compile(r"\(N·m[^)]*\)²")
_PER = "/(N·m)"

US_PER_S = 1_000_000
"""Microseconds in a second: a tick of the board is one microsecond."""


def nm_to_lbf_ft(torque_nm: float) -> float:
    """Torque in lbf·ft from torque in N·m."""
    return torque_nm / NM_PER_LBF_FT


def lbf_ft_to_nm(torque_lbf_ft: float) -> float:
    """Torque in N·m from torque in lbf·ft."""
    return torque_lbf_ft * NM_PER_LBF_FT


class TorqueUnit(StrEnum):
    """Units of torque a person can ask for; the value is what is written behind the number."""

    NM = "N·m"
    LBF_FT = "lbf·ft"

    def from_nm(self, torque_nm: float) -> float:
        """``torque_nm`` in this unit; also for anything proportional to torque."""
        return torque_nm if self is TorqueUnit.NM else nm_to_lbf_ft(torque_nm)

    def shown(self, value: float, unit: str) -> tuple[float, str]:
        """A value and its unit as this unit shows them: "N·m" and what contains it change, others do not.

        What is squared, as in "(N·m)²·s" and "(N·m·s)²", changes by the factor squared, and what is told for
        each N·m, as in "J/(N·m)", by its inverse.
        """
        if TorqueUnit.NM.value not in unit:
            return value, unit
        if _PER in unit:
            return value / self.from_nm(1.0), unit.replace(TorqueUnit.NM.value, self.value)
        shown = self.from_nm(value)
        if _SQUARED.search(unit):
            shown = self.from_nm(shown)
        return shown, unit.replace(TorqueUnit.NM.value, self.value)
