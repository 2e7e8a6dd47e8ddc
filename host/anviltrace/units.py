"""Units of torque, and numbers written for people.

N·m is the unit inside; lbf·ft is offered wherever a person asks for it. The factor is exact by
definition: 1 lb = 0.45359237 kg, 1 ft = 0.3048 m (international yard and pound agreement, 1959),
standard gravity 9.80665 m/s².
"""

from __future__ import annotations

NM_PER_LBF_FT = 0.45359237 * 9.80665 * 0.3048

US_PER_S = 1_000_000
"""Microseconds in a second: a tick of the board is one microsecond."""


def nm_to_lbf_ft(torque_nm: float) -> float:
    """Torque in lbf·ft from torque in N·m."""
    return torque_nm / NM_PER_LBF_FT


def lbf_ft_to_nm(torque_lbf_ft: float) -> float:
    """Torque in N·m from torque in lbf·ft."""
    return torque_lbf_ft * NM_PER_LBF_FT
