from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from anviltrace.trace.response import half_sine_response, parabola_response, response_table, shown
from anviltrace.virtual.rig import Resonator

WIDTHS = {half_sine_response: 2.0 / 3.0, parabola_response: math.sqrt(0.5)}


@pytest.mark.parametrize(
    ("swings", "damping"), [(0.0, 0.1), (-1.0, 0.1), (1.0, 1.0), (1.0, -0.1), (math.nan, 0.1)]
)
def test_a_system_that_cannot_be_is_refused(swings, damping):
    with pytest.raises(ValueError, match="no response"):
        shown(half_sine_response, swings, damping)


@pytest.mark.parametrize(("swings", "damping"), [(0.7, 0.02), (3.0, 0.05), (11.0, 0.2)])
def test_a_parabola_agrees_with_the_simulated_transducer(swings, damping):
    times = np.arange(60_000) / 20_000.0
    push = np.where(times < 1.0, 4.0 * times * (1.0 - times), 0.0)
    simulated = Resonator(swings, damping, 1.0 / 20_000.0).respond(push)
    np.testing.assert_allclose(parabola_response(times, swings, damping), simulated, atol=1e-6)


@settings(max_examples=60, deadline=None)
@given(st.sampled_from(list(WIDTHS)), st.floats(1.2, 80.0), st.floats(0.0095, 0.0108))
def test_the_truth_lies_within_the_bounds(response, swings, damping):
    """Of either pulse, whatever its width: seen as it is shown, it is no further off than stated."""
    table = response_table(0.0095, 0.0108)
    seen = shown(response, swings, damping)
    observed = 1.5 * swings * seen.width
    if observed < 1.5:
        return
    for bounds, shown_value, true in (
        (table.peak(observed), seen.peak, 1.0),
        (table.width(observed), seen.width, WIDTHS[response]),
    ):
        assert true <= shown_value * (1.0 + float(bounds.above)) * (1.0 + 3e-3)
        assert true >= shown_value * (1.0 - float(bounds.below)) * (1.0 - 3e-3)


def test_bounds_shrink_with_the_swings_and_say_where_nothing_is_known():
    table = response_table(0.01, 0.01)
    bounds = table.peak([1.6, 4.1, 8.0, 16.0, 200.0, np.nan])
    assert np.isnan(bounds.below[-1])
    assert (np.diff(bounds.below[:-1]) <= 0.0).all()
    # half a sine alone: 10, 5 and 2 % above 4.1, 7.9 and 15.8 swings (computed independently); a cap is worse
    for at, least, most in ((4.1, 0.09, 0.13), (7.9, 0.045, 0.07), (15.8, 0.019, 0.03)):
        assert least < float(table.peak(at).below) < most
    assert float(table.peak(1.6).below) > 0.2
