"""A small archive as a recording session leaves it: zeros, runs with blows, a calibration if wanted."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
from findings import claim
from sample_report import BEFORE_S, RATE_HZ, blow_times, signal
from workshop import Workshop, fixed_id, workshop

from anviltrace.archive import Archive
from anviltrace.records import (
    Arm,
    Calibration,
    Decision,
    Gap,
    GapCause,
    LoadStep,
    Mass,
    RunKind,
    Spread,
    Zero,
    described_id,
)

COUNTS_PER_NM = 800.0
ZERO_COUNTS = 1200.0
DRIVE_S = 0.8
LEVEL_NM = 150.0


def shop() -> Workshop:
    """The workshop with a fast converter and a short plan."""
    made = workshop(RATE_HZ)
    return replace(made, plan=replace(made.plan, drive_s=DRIVE_S, marks_s=(0.5,)))


def record(path: Path, *, calibrated: bool = True, runs: int = 2) -> None:
    """Two kept runs by default (the first with a gap), one discarded, one interrupted; and a claim."""
    made = shop()
    with Archive.open(path, create=True) as archive:
        made.put_into(archive)
        archive.put(claim(value=420.0))
        if calibrated:
            _calibrate(archive, made)
        _zero(archive, made, 0)
        for number in range(1, runs + 3):
            _measure(archive, made, number, runs)
            _zero(archive, made, number)


def _at(minute: int, second: int) -> str:
    return f"2026-05-04T09:{minute:02d}:{second:02d}.000Z"


def _counts(torque_nm: np.ndarray) -> np.ndarray:
    return np.round(ZERO_COUNTS + COUNTS_PER_NM * torque_nm).astype(np.int32)


def _zero(archive: Archive, made: Workshop, number: int) -> None:
    noise = np.random.default_rng(900 + number).normal(0.0, 0.25, 7500)
    counts = _counts(noise)
    run = made.run(300 + number, kind=RunKind.ZERO, plan_id=None, repeat=None, started_at=_at(number, 30))
    with archive.begin(run) as recording:
        recording.append(0, counts)
        recording.finish(samples_total=len(counts), end_reason="as planned", rate_hz=RATE_HZ)
    mean, sd = float(counts.mean()), float(counts.std(ddof=1))
    archive.put(Zero(fixed_id(500 + number), made.session.id, run.id, run.started_at, mean, sd, len(counts)))


def _measure(archive: Archive, made: Workshop, number: int, kept: int) -> None:
    rng = np.random.default_rng(number)
    level_nm = LEVEL_NM * (1.0 + 0.01 * number)
    counts = _counts(signal(blow_times(DRIVE_S, rng), DRIVE_S, level_nm, rng))
    run = made.run(400 + number, started_at=_at(number, 0), repeat=number)
    with archive.begin(run) as recording:
        recording.append(0, counts[:3000])
        if number == 1:
            recording.gap(Gap(run.id, 3000, 40, GapCause.LINK))
        recording.append(3000 + 40 * (number == 1), counts[3000 + 40 * (number == 1) :])
        onset = round(BEFORE_S * RATE_HZ)
        if number == kept + 2:
            recording.interrupt("cable pulled", rate_hz=RATE_HZ, onset_index=onset)
            return
        recording.finish(
            samples_total=len(counts), end_reason="as planned", rate_hz=RATE_HZ, onset_index=onset
        )
    verdict = "keep" if number <= kept else "discard"
    archive.put(
        Decision(described_id("decision", number), run.id, verdict, "socket slipped", _at(number, 20))
    )


def _calibrate(archive: Archive, made: Workshop) -> None:
    """Weights up to 392 N·m, hung from an arm of a metre."""
    masses = [Mass(fixed_id(610 + i), f"disc {i}", 10.0, 0.002, Spread.NORMAL) for i in range(4)]
    arm = Arm(fixed_id(601), "steel arm", 1.0, 0.0003, Spread.NORMAL, angle_within_deg=0.5)
    facts = Calibration(
        fixed_id(600), made.session.id, made.settings.id, arm.id, 1, _at(0, 0),
        9.81, 0.0005, "latitude and height", 1.19, 0.02,
    )  # fmt: skip
    run = made.run(299, kind=RunKind.CALIBRATION, plan_id=None, repeat=None, started_at=_at(0, 0))
    with archive.begin(run) as recording:
        recording.append(0, _counts(np.zeros(100)))
        recording.finish(samples_total=100, end_reason="as planned", rate_hz=RATE_HZ)
    for record_ in (arm, *masses, facts):
        archive.put(record_)
    for number, hung in enumerate((0, 1, 2, 3, 4, 3, 2, 1, 0), 1):
        branch = "zero" if hung == 0 else "up" if number <= 5 else "down"
        reading = ZERO_COUNTS + COUNTS_PER_NM * 98.1 * (1 - 1.19 / 7850) * hung + 3.0 * (-1) ** number
        step = LoadStep(
            fixed_id(620 + number), facts.id, number, 1, 1, branch, run.id,
            tuple(mass.id for mass in masses[:hung]), 0.0, reading, 200.0, 1.0, 7500, _at(0, 10 + number),
        )  # fmt: skip
        archive.put(step)
