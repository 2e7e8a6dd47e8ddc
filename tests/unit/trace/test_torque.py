from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from anviltrace.trace.torque import net_torque_nm


def test_each_side_has_its_own_slope():
    counts = np.array([1000, 1200, 900], dtype=np.int32)
    np.testing.assert_allclose(net_torque_nm(counts, 1000.0, 100.0, 50.0), [0.0, 2.0, -2.0])


def test_a_bridge_wired_the_other_way_round():
    """Clockwise torque brings the counts down; the slope of clockwise torque still belongs to it."""
    counts = np.array([800, 1100], dtype=np.int32)
    np.testing.assert_allclose(net_torque_nm(counts, 1000.0, -100.0, -50.0), [2.0, -2.0])


@given(st.floats(-500.0, 500.0), st.floats(1.0, 1e5), st.floats(1.0, 1e5), st.sampled_from([-1.0, 1.0]))
def test_torque_comes_back(torque, positive, negative, wiring):
    slope = wiring * (positive if torque >= 0.0 else negative)
    counts = 77.0 + torque * slope
    back = net_torque_nm(counts, 77.0, wiring * positive, wiring * negative)
    assert float(back) == pytest.approx(torque, rel=1e-9, abs=1e-9)


@pytest.mark.parametrize("slopes", [(0.0, 1.0), (1.0, float("nan")), (float("inf"), 1.0), (1.0, -1.0)])
def test_slopes_that_convert_nothing_are_refused(slopes):
    with pytest.raises(ValueError, match="slope"):
        net_torque_nm([1], 0.0, *slopes)
