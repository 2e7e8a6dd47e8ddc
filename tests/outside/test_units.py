"""Units against published conversion factors."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from anviltrace.units import NM_PER_LBF_FT, TorqueUnit, lbf_ft_to_nm, nm_to_lbf_ft


def test_pound_force_foot():
    """NIST SP 811, appendix B: pound-force foot to newton metre, 1.355 818 E+00 (from memory)."""
    assert round(NM_PER_LBF_FT, 6) == 1.355818
    assert round(lbf_ft_to_nm(1.0), 6) == 1.355818


def test_newton_metre():
    """The inverse of the same factor: 0.737 562 lbf·ft (from memory)."""
    assert round(nm_to_lbf_ft(1.0), 6) == 0.737562


@given(st.floats(-1e6, 1e6))
def test_there_and_back(torque_nm: float):
    assert lbf_ft_to_nm(nm_to_lbf_ft(torque_nm)) == pytest.approx(torque_nm, rel=1e-14)


def test_energy_for_each_torque_unit():
    """NIST SP 811, appendix B.8: 1 lbf·ft is 1.355818 N·m, so 1 J/(N·m) is 1.355818 joule for each lbf·ft."""
    assert TorqueUnit.LBF_FT.shown(2.0, "J/(N·m)") == (pytest.approx(2.0 * 1.355818, rel=1e-6), "J/(lbf·ft)")
    assert TorqueUnit.NM.shown(2.0, "J/(N·m)") == (2.0, "J/(N·m)")
