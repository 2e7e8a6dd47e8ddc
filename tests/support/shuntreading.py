"""Puts shunt readings into archives of tests, with recordings that bear them out."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from workshop import Workshop, fixed_id

from anviltrace.archive import Archive
from anviltrace.calibration.stability import look_at
from anviltrace.records import RunKind, Shunt, ShuntReading, Spread

SHUNT = Shunt(fixed_id(970), "100 kilohm", 100_000.0, 57.7, 350.0, 0.5, Spread.RECTANGULAR)
ZERO_COUNTS = 1000.0
SAMPLES = 300


def put_shunt(
    archive: Archive,
    shop: Workshop,
    number: int,
    net_counts: float,
    taken_at: str,
    calibration_id: str | None,
) -> ShuntReading:
    """A reading in the workshop's session, in which the resistor makes ``net_counts``."""
    runs = [
        _record(archive, shop, 10 * number + place, counts, taken_at)
        for place, counts in enumerate((0.0, net_counts, 0.0))
    ]
    (before_id, before), (shunt_id, shunt), (after_id, after) = runs
    archive.put(SHUNT)
    reading = ShuntReading(
        id=fixed_id(980 + number), session_id=shop.session.id, settings_id=shop.settings.id,
        shunt_id=SHUNT.id, calibration_id=calibration_id, taken_at=taken_at, before_run_id=before_id,
        shunt_run_id=shunt_id, after_run_id=after_id, before_counts=before, shunt_counts=shunt,
        after_counts=after, sd_counts=2.0, samples=SAMPLES, software_version="0.1.0",
    )  # fmt: skip
    archive.put(reading)
    return reading


def _record(archive: Archive, shop: Workshop, number: int, net_counts: float, at: str) -> tuple[str, float]:
    noise = np.random.default_rng(number).normal(0.0, 2.0, SAMPLES + 50)
    counts = np.rint(ZERO_COUNTS + net_counts + noise).astype(np.int32)
    run = replace(
        shop.run(4000 + number, kind=RunKind.CHECK, started_at=at, repeat=None, supply_state=""),
        plan_id=None, tool_id=None, supply_id=None, fitting_id=None,
    )  # fmt: skip
    with archive.begin(run) as recording:
        recording.append(0, counts)
        recording.finish(samples_total=len(counts), end_reason="steady", rate_hz=shop.settings.rate_hz)
    return run.id, look_at(counts[-SAMPLES:]).mean_counts
