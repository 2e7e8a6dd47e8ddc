"""Twenty runs through the whole chain: virtual wrench, transducer, converter, board, wire, archive, numbers.

Weights, arm and gravity are what the demo's user files say, not what they truly are. What every blow truly
did comes from the virtual rig, which no analysis sees.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import pytest
from demofiles import copy_demo_files

from anviltrace.archive import Archive
from anviltrace.calibration.inventory import read_inventory
from anviltrace.capture.benchfile import Bench, read_bench
from anviltrace.capture.plan import read_plan
from anviltrace.capture.runset import Condition
from anviltrace.cli.calibration_record import record_one
from anviltrace.cli.capture import find_scale, open_session, record_condition
from anviltrace.link.port import open_port
from anviltrace.link.session import Session as Link
from anviltrace.metrics.evaluate import evaluate
from anviltrace.metrics.facts import Gatherer
from anviltrace.metrics.results import RunResult
from anviltrace.records import Plan
from anviltrace.units import TorqueUnit
from anviltrace.virtual.truth import BlowTruth
from anviltrace.virtual.wrench import Numbers, tightening_pulse

SEEDS = (21, 22, 23, 24)
REPEATS = 5
TOOLS = ("Ostrelby", "Quarrowdale heavy", "Vennick short", "Ostrelby")
DRIVE_S = 0.8
AT_ITS_END_S = 2e-4
"""A blow that starts so near the end of the drive window may fall on either side: clock, sample, start."""
LEAST_HELD = 17
"""Of 20 intervals of 95 %: fewer hold in one of 60 such sets (binomial)."""
THRESHOLD_NM = 100.0
_STEP_S = 2e-6


@dataclass(frozen=True)
class Judged:
    """A run as it was evaluated, and the blows as they truly were."""

    result: RunResult
    blows: tuple[BlowTruth, ...]


@pytest.fixture(scope="module")
def judged(tmp_path_factory: pytest.TempPathFactory) -> list[Judged]:
    folder = tmp_path_factory.mktemp("chain")
    copy_demo_files(folder, "bench.toml", "weights.toml", "tightening.toml")
    return [run for seed, tool in zip(SEEDS, TOOLS, strict=True) for run in _rig(folder, seed, tool)]


def _rig(folder: Path, seed: int, tool: str) -> list[Judged]:
    """Calibrate a rig, record runs on it, and evaluate them."""
    bench = read_bench(folder / "bench.toml")
    plan = replace(
        read_plan(folder / "tightening.toml"),
        before_s=0.4, drive_s=DRIVE_S, after_s=1.4, zero_s=0.4, repeats=1, marks_s=(0.2, 0.5),
    )  # fmt: skip
    with (
        Archive.open(folder / f"rig {seed}.anviltrace", create=True) as archive,
        Link(open_port(f"virtual://fishplate-held?seed={seed}")) as link,
    ):
        runs = _record(archive, link, folder, bench, plan, tool)
        gatherer = Gatherer(archive, thresholds_nm=(THRESHOLD_NM,))
        return [Judged(evaluate(gatherer.facts(run)), blows) for run, blows in runs]


def _record(archive: Archive, link: Link, folder: Path, bench: Bench, plan: Plan, tool: str):
    settings = link.configure(plan.rate_hz, plan.gain)
    session = open_session(archive, link, bench, settings, "virtual operator")
    inventory = read_inventory(folder / "weights.toml")
    record_one(archive, link, session, settings, inventory, inventory.arm("long arm"), 1)
    scale = find_scale(archive, bench.rig.id, settings, TorqueUnit.NM)
    condition = Condition(plan, bench.tool(tool), bench.supply("mains adapter"))
    runs = []
    for _ in range(REPEATS):
        before = len(link.port.truth.blows)
        done = record_condition(archive, link, session, scale, condition, ask=False)
        runs.append((done.runs[0], link.port.truth.blows[before:]))
    return runs


def _felt(blows: Sequence[BlowTruth]) -> list[BlowTruth]:
    """Blows that the stud feels: not one that missed, nor a double weaker than what the joint keeps."""
    return [blow for blow in blows if not blow.missed and blow.peak_nm > blow.retained_before_nm]


def _driven(blows: Sequence[BlowTruth], longer_s: float = 0.0) -> list[BlowTruth]:
    """Felt blows of the drive window, or of one so much longer."""
    struck = _felt(blows)
    return [blow for blow in struck if _start_s(blow) - _start_s(struck[0]) <= DRIVE_S + longer_s]


def _true_impulse(blows: Sequence[BlowTruth]) -> float:
    """Mean impulse, a double counted with its blow."""
    driven = _driven(blows)
    return math.fsum(blow.impulse_nms for blow in driven) / sum(not blow.double for blow in driven)


def _true_mean(blows: Sequence[BlowTruth]) -> float:
    """Mean torque from 5 % of the first blow to the planned end or 5 % of the last blow."""
    struck = _felt(blows)
    first = _start_s(struck[0])
    last = min(_start_s(struck[-1]), first + DRIVE_S)
    time_s = np.arange(first, last, _STEP_S)
    torque = np.full(time_s.shape, struck[0].retained_before_nm)
    for blow in struck:
        torque[time_s >= blow.apex_s] = blow.retained_after_nm
        inside = (time_s > blow.start_s) & (time_s < blow.start_s + blow.width_s)
        torque[inside] = _pulse(blow).torque_nm(time_s[inside] - blow.start_s)
    return float(torque.mean())


def _pulse(blow: BlowTruth):
    before, after = blow.retained_before_nm, blow.retained_after_nm
    return tightening_pulse(blow.width_s, blow.applied_nm, before, after)


def _start_s(blow: BlowTruth) -> float:
    """When a blow has risen by 5 % of its height."""
    before = blow.retained_before_nm
    foot: Numbers = np.asarray((before + 0.05 * (blow.peak_nm - before)) / blow.applied_nm)
    return blow.start_s + blow.width_s * float(np.arcsin(foot)) / math.pi


def _held(judged: Sequence[Judged], name: str, truth, mark: float | None = None) -> int:
    held = 0
    for one in judged:
        value = one.result.value(name, mark)
        assert value is not None
        assert value.value is not None, value.withheld
        assert value.expanded is not None
        held += abs(value.value - truth(one.blows)) <= value.expanded
    return held


def test_there_are_twenty_whole_runs(judged: list[Judged]) -> None:
    assert len(judged) == len(SEEDS) * REPEATS == 20
    for one in judged:
        assert one.result.uncalibrated == ""
        assert one.result.context.gaps == ()
        assert len(one.result.calibration_ids) == 1


def test_every_blow_is_counted_and_none_made_up(judged: list[Judged]) -> None:
    for one in judged:
        value = one.result.value("blow_count")
        assert value is not None
        ends = [_driven(one.blows, longer_s) for longer_s in (-AT_ITS_END_S, AT_ITS_END_S)]
        assert value.value in [sum(not blow.double for blow in driven) for driven in ends]


def _intervals_s(blows: Sequence[BlowTruth]) -> Numbers:
    """Of the drive window, from apex to apex, doubles counted once."""
    return np.diff([blow.apex_s for blow in _driven(blows) if not blow.double])


def _normal_s(blows: Sequence[BlowTruth]) -> Numbers:
    """Those in which no blow missed."""
    intervals = _intervals_s(blows)
    return intervals[intervals < 1.5 * np.median(intervals)]


def _true_mean_rate(blows: Sequence[BlowTruth]) -> float:
    return 1.0 / float(_intervals_s(blows).mean())


def _true_impulse_squared(blows: Sequence[BlowTruth]) -> float:
    """Mean square of the impulses, a double counted with its blow."""
    driven = _driven(blows)
    group = np.cumsum([not blow.double for blow in driven]) - 1
    return float(np.mean(np.bincount(group, weights=[blow.impulse_nms for blow in driven]) ** 2))


def _time_to(blows: Sequence[BlowTruth]) -> float:
    """When the blow came with which the joint kept the threshold."""
    struck = _felt(blows)
    return next(b.apex_s for b in struck if b.retained_after_nm >= THRESHOLD_NM) - _start_s(struck[0])


@pytest.mark.parametrize(
    ("name", "truth"),
    [
        ("impulse_mean", _true_impulse),
        ("mean_torque", _true_mean),
        ("retained_final", lambda blows: blows[-1].retained_after_nm),
        ("interval_median", lambda blows: 1e3 * float(np.median(_normal_s(blows)))),
        ("blow_rate", lambda blows: 1.0 / float(np.median(_normal_s(blows)))),
        ("blow_rate_mean", _true_mean_rate),
        ("interval_sd", lambda blows: 1e3 * float(np.std(_normal_s(blows), ddof=1))),
        (
            "interval_cv",
            lambda blows: 100.0 * float(np.std(_normal_s(blows), ddof=1) / _normal_s(blows).mean()),
        ),
        ("impulse_squared", _true_impulse_squared),
        ("impulse_rate", lambda blows: _true_impulse(blows) * _true_mean_rate(blows)),
    ],
)
def test_intervals_hold_the_truth(judged: list[Judged], name: str, truth) -> None:
    assert _held(judged, name, truth) >= LEAST_HELD


def test_the_time_to_a_torque_holds_the_truth(judged: list[Judged]) -> None:
    assert _held(judged, "time_to", _time_to, THRESHOLD_NM) >= LEAST_HELD


@pytest.mark.parametrize(
    "name", ["impulse_mean", "mean_torque", "retained_final", "interval_median", "blow_rate_mean"]
)
def test_intervals_are_narrow_enough_to_be_of_use(judged: list[Judged], name: str) -> None:
    values = [one.result.value(name) for one in judged]
    shares = [value.expanded / value.value for value in values if value and value.value and value.expanded]
    assert len(shares) == len(judged)
    assert np.median(shares) < 0.005


@pytest.mark.parametrize("at_s", [0.2, 0.5])
def test_the_level_at_a_mark_holds_the_truth(judged: list[Judged], at_s: float) -> None:
    def truth(blows: Sequence[BlowTruth]) -> float:
        struck = _felt(blows)
        return [blow for blow in struck if blow.apex_s - _start_s(struck[0]) <= at_s][-1].retained_after_nm

    assert _held(judged, "retained_at", truth, at_s) >= LEAST_HELD


def test_true_peaks_lie_within_interval_and_bounds_but_for_the_resonance(judged: list[Judged]) -> None:
    # the scenario's transducer (3400 Hz, damping 0.022) raises peaks of 1.1 ms by up to 8 %
    for one in judged:
        value = one.result.value("peak_mean")
        assert value is not None
        assert value.value is not None, value.withheld
        assert value.expanded is not None
        true = np.mean([blow.peak_nm for blow in _driven(one.blows) if not blow.double])
        assert 0.92 * (value.value - value.expanded) < true < value.value + value.expanded + value.under_read
