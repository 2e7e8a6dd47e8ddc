"""Records beside the torque: times, gaps, means."""

from __future__ import annotations

import numpy as np
import pytest

from anviltrace.trace.aside import aside_of


def ramp():
    """0.1 V a sample at 100 a second from 2 s on, three samples missing, one clipped."""
    counts = np.arange(50, dtype=np.int32)
    return aside_of(
        [(10, counts[:20]), (33, counts[23:])], rate_hz=100.0, start_s=1.9, per_count=0.1, zero_counts=5.0,
        limits=(-100, 49),
    )  # fmt: skip


def test_counts_become_values_at_their_times():
    record = ramp()
    assert (record.start_s, record.end_s) == (pytest.approx(2.0), pytest.approx(2.49))
    assert record.values == pytest.approx(0.1 * (np.arange(50) - 5.0))
    assert np.flatnonzero(record.missing).tolist() == [20, 21, 22]
    assert np.flatnonzero(record.clipped).tolist() == [49]
    assert record.clipped_in(2.0, 2.4) == 0
    assert record.missing_share(2.15, 2.245) == pytest.approx(0.3)
    assert record.missing_share(3.0, 4.0) == 1.0


def test_means_and_integrals_need_not_begin_at_samples():
    record = ramp()
    assert record.mean(2.033, 2.417) == pytest.approx(10.0 * (2.225 - 2.0) - 0.5)
    assert record.integral(2.033, 2.417) == pytest.approx(record.mean(2.033, 2.417) * 0.384)
    assert record.means(np.array([2.0, 2.1, 2.3])) == pytest.approx([0.0, 1.5])


def test_a_stretch_lies_within_the_record():
    record = ramp()
    assert record.covers(2.0, 2.49)
    assert not record.covers(1.9, 2.3)
    assert len(record.between(2.1, 2.2)) == 11
    assert len(record.between(0.0, 1.0)) == len(record.between(3.0, 4.0)) == 0
    assert record.shifted(0.5).start_s == pytest.approx(2.5)
