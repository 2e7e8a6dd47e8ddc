"""Gathering a run from an archive with everything that belongs to it."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
import recorded

from anviltrace.archive import Archive
from anviltrace.metrics.facts import Gatherer, gather, zero_reading
from anviltrace.records import Run, RunKind


@pytest.fixture
def archive(tmp_path: Path) -> Iterator[Archive]:
    path = tmp_path / "bench.anviltrace"
    recorded.record(path)
    with Archive.open(path, read_only=True) as opened:
        yield opened


def measurements(archive: Archive) -> list[Run]:
    return archive.all(Run, kind=RunKind.MEASUREMENT)


def test_a_run_comes_with_the_zeros_on_both_sides(archive: Archive) -> None:
    first, second, *_ = (gather(archive, run) for run in measurements(archive))
    assert first.zero_before is not None
    assert first.zero_before.mean_counts == pytest.approx(recorded.ZERO_COUNTS, abs=20.0)
    assert first.zero_after == second.zero_before
    assert first.zero_after != first.zero_before


def test_it_comes_with_its_gaps_decision_and_surroundings(archive: Archive) -> None:
    first, *_ = (gather(archive, run) for run in measurements(archive))
    context = first.context
    assert [len(counts) for _, counts in first.pieces] == [3000, context.run.samples - 3000]
    assert [gap.count for gap in context.gaps] == [40]
    assert context.kept
    assert context.tool is not None
    assert context.plan is not None
    assert (context.rig.name, context.fitting_name) == ("fishplate stand", "socket 36 mm")


def test_a_discarded_and_an_interrupted_run_are_not_kept(archive: Archive) -> None:
    gatherer = Gatherer(archive)
    assert [gatherer.context(run).kept for run in measurements(archive)] == [True, True, False, False]


def test_lines_are_worked_out_once_and_missing_ones_say_why(archive: Archive) -> None:
    gatherer = Gatherer(archive)
    first, second, *_ = (gatherer.facts(run) for run in measurements(archive))
    assert first.lines is second.lines
    line = first.lines[1]
    assert not isinstance(line, str)
    assert line.counts_per_nm == pytest.approx(recorded.COUNTS_PER_NM, rel=1e-3)
    assert "no calibration for counter-clockwise torque" in str(first.lines[-1])


def test_a_zero_behind_another_run_is_not_taken(tmp_path: Path) -> None:
    path = tmp_path / "bench.anviltrace"
    made = recorded.shop()
    with Archive.open(path, create=True) as archive:
        made.put_into(archive)
        for number in (1, 2):
            with archive.begin(made.run(number, started_at=f"2026-05-04T09:0{number}:00.000Z")) as recording:
                recording.append(0, np.zeros(10, np.int32))
                recording.finish(samples_total=10, end_reason="as planned")
        facts = gather(archive, measurements(archive)[1])
    assert facts.zero_before is None
    assert facts.zero_after is None


def test_neighbours_that_go_together_are_noticed() -> None:
    random = np.random.default_rng(2)
    white = np.rint(random.normal(0.0, 50.0, 7500)).astype(np.int32)
    wandering = np.rint(white + 40.0 * np.sin(np.arange(7500) / 900.0)).astype(np.int32)
    assert zero_reading(white, 7500.0).together < 2.0
    assert zero_reading(wandering, 7500.0).together > 20.0
    assert zero_reading(white, 7500.0).steady


def test_hum_does_not_count_as_wandering() -> None:
    hum = 40.0 * np.sin(2.0 * np.pi * 50.0 * np.arange(7500) / 7500.0)
    counts = np.rint(np.random.default_rng(2).normal(0.0, 20.0, 7500) + hum).astype(np.int32)
    assert zero_reading(counts, 7500.0).together < 1.5
