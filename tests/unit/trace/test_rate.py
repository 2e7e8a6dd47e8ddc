from __future__ import annotations

import math

import numpy as np
import pytest

from anviltrace.trace.rate import blow_rate, doubles, missing_between

INTERVALS_S = 0.025 * (1.0 + 0.02 * np.random.default_rng(1).standard_normal(200))
TIMES_S = np.cumsum(INTERVALS_S)


def test_a_steady_tool():
    rate = blow_rate(TIMES_S)
    assert rate.per_s == pytest.approx(40.0, rel=0.005)
    assert rate.mean_per_s == pytest.approx(199 / (TIMES_S[-1] - TIMES_S[0]), rel=1e-12)
    assert rate.sd_s == pytest.approx(0.0005, rel=0.2)
    assert rate.cv == pytest.approx(0.02, rel=0.2)
    assert (rate.intervals, rate.normal) == (199, 199)
    assert (rate.missed, rate.doubles) == (0, 0)


def test_missed_blows_lower_the_mean_rate_only():
    times = np.delete(TIMES_S, [50, 120, 121])
    rate = blow_rate(times)
    assert rate.missed == 3
    assert rate.normal == rate.intervals - 2
    assert np.flatnonzero(missing_between(times)).tolist() == [49, 118]
    assert missing_between(times)[[49, 118]].tolist() == [1, 2]
    assert rate.per_s == pytest.approx(blow_rate(TIMES_S).per_s, rel=0.005)
    assert rate.mean_per_s == pytest.approx(196 / (times[-1] - times[0]), rel=1e-12)


def test_a_double_counts_once():
    times = np.sort(np.concatenate((TIMES_S, TIMES_S[[10, 90]] + 0.005)))
    assert np.flatnonzero(doubles(times)).tolist() == [11, 92]
    rate = blow_rate(times)
    assert rate.doubles == 2
    assert rate.per_s == pytest.approx(blow_rate(TIMES_S).per_s, rel=1e-9)


def test_nothing_is_said_across_a_gap():
    times = np.concatenate((TIMES_S[:100], TIMES_S[100:] + 3.0))
    piece = np.repeat([0, 1], 100)
    assert blow_rate(times, piece).missed == 0
    assert missing_between(times, piece).tolist() == [0] * 199
    assert blow_rate(times).missed > 50
    kept = np.concatenate((INTERVALS_S[1:100], INTERVALS_S[101:]))
    assert blow_rate(times, piece).mean_per_s == pytest.approx(1.0 / kept.mean(), rel=1e-9)


@pytest.mark.parametrize("count", [0, 1, 2])
def test_too_few_blows_have_no_rate(count):
    rate = blow_rate(TIMES_S[:count])
    assert math.isnan(rate.per_s)
    assert math.isnan(rate.mean_per_s) is (count < 2)
    assert doubles(TIMES_S[:count]).tolist() == [False] * count
