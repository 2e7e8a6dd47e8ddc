"""Makes fixtures/archives/schema-N.anviltrace, once per schema version: ``python golden_archive.py TARGET``.

A golden file is never made again: it proves that archives written by a released version stay readable.
"""

from __future__ import annotations

import sys
import tempfile
from dataclasses import replace
from pathlib import Path

from workshop import Workshop, counts_at, fixed_id, workshop

from anviltrace.archive import Archive
from anviltrace.calibration.course import Outline
from anviltrace.records import (
    Arm,
    Authorisation,
    Calibration,
    CheckReading,
    Claim,
    Decision,
    Gap,
    GapCause,
    LoadStep,
    Mass,
    Notice,
    Origin,
    Plan,
    Quantity,
    Rating,
    Remark,
    RingDown,
    Run,
    RunKind,
    Shunt,
    ShuntReading,
    SideChannel,
    Spread,
    Temperature,
    Zero,
)

ZERO_RUN, FULL_RUN, CUT_RUN, STEP_RUN = fixed_id(100), fixed_id(101), fixed_id(102), fixed_id(103)
ENDED = "2026-05-04T08:15:07.250Z"
ZERO = Zero(fixed_id(110), workshop().session.id, ZERO_RUN, "2026-05-04T08:14:00.000Z", -1204.25, 2.5, 300)
GAPS = [Gap(FULL_RUN, 600, 24, GapCause.LINK), Gap(FULL_RUN, 700, 3, GapCause.CONVERTER, uncertainty=1)]
NOTICE = Notice(FULL_RUN, 640, "text", "brown-out on the rail µ\n", "2026-05-04T08:15:01.000Z")
DECISION = Decision(fixed_id(120), FULL_RUN, "discard", "socket slipped", "2026-05-04T08:16:00.000Z", "T. E.")

CLAIM = Claim(fixed_id(130), workshop().tool.id, "maximum torque", 410.0, "N·m", "tightening", "leaflet")
MASS = Mass(
    fixed_id(131), "plate A", 10.04, 0.0116, Spread.RECTANGULAR, True, 7150.0, 150.0, "platform scale"
)
ARM = Arm(fixed_id(132), "long arm", 0.8, 0.0003, Spread.NORMAL, 0.5, 1.0, "tape")
CALIBRATION = Calibration(
    fixed_id(133), workshop().session.id, workshop().settings.id, ARM.id, -1, "2026-05-04T08:10:00.000Z",
    9.8114, 0.0005, "latitude 52.1°, height 40 m", 1.19, 0.03, 900.0, "0.1.0", "before the first run",
    180.0, Outline("short", ((MASS.id,),), (-0.25,)).text,
)  # fmt: skip
STEPS = [
    LoadStep(
        fixed_id(140 + number), CALIBRATION.id, number, 1, 1, branch, STEP_RUN, mass_ids, -0.25,
        -1204.25 - 36000.5 * len(mass_ids), 2.5, 0.125, 40, "2026-05-04T08:11:00.000Z",
    )
    for number, (branch, mass_ids) in enumerate([("zero", ()), ("up", (MASS.id,))], 1)
]  # fmt: skip

CHECK = CheckReading(
    id=fixed_id(150), session_id=workshop().session.id, settings_id=workshop().settings.id, arm_id=ARM.id,
    mass_ids=(MASS.id,), angle_deg=-0.25, sign=-1, taken_at="2026-05-04T08:13:00.000Z",
    gravity_m_per_s2=9.8114, gravity_u_m_per_s2=0.0005, gravity_source="latitude 52.1°, height 40 m",
    air_density_kg_per_m3=1.19, air_density_u_kg_per_m3=0.03, before_run_id=STEP_RUN, load_run_id=STEP_RUN,
    after_run_id=STEP_RUN, before_counts=-1204.25, load_counts=-37204.5, after_counts=-1203.75,
    sd_counts=2.5, samples=40, software_version="0.1.0", note="after the frost",
)  # fmt: skip

FOUND_MASS = Mass(
    fixed_id(160), "plate B", 9.98, 0.01, Spread.NORMAL, True, 7150.0, 150.0, "weighed five times", 4.0
)
FOUND_ARM = Arm(
    fixed_id(161), "weighed arm", 0.6, 0.0003, Spread.NORMAL, 0.5, 1.0, "tape", 9.0, 2.4, 0.01, 0.21, 0.004
)
SHUNT = Shunt(fixed_id(162), "100 kilohm", 100_000.0, 57.7, 350.0, 0.2, Spread.RECTANGULAR, "0.1 %")
SHUNT_READING = ShuntReading(
    fixed_id(163), workshop().session.id, workshop().settings.id, SHUNT.id, CALIBRATION.id,
    "2026-05-04T08:09:30.000Z", STEP_RUN, STEP_RUN, STEP_RUN, -1204.25, 93750.5, -1203.5, 2.5, 40, "0.1.0",
    "before the series",
)  # fmt: skip
TEMPERATURE = Temperature(
    fixed_id(164), workshop().session.id, CALIBRATION.id, "2026-05-04T08:09:00.000Z", "transducer", 18.5, 0.3
)
AUTHORISATION = Authorisation(
    fixed_id(165), CALIBRATION.id, "2026-05-05T07:00:00.000Z", "T. E.", 32 * "c5", "after reading it through"
)
REMARK = Remark(
    fixed_id(171), CALIBRATION.id, "2026-05-05T07:30:00.000Z", "place", "engine shed, bay 2", "T. E."
)
RING_DOWN = RingDown(
    fixed_id(166), workshop().session.id, STEP_RUN, workshop().fitting.id, "2026-05-04T08:12:00.000Z", 3,
    1850.5, 4.25, 0.0125, 0.0005, 0.013, "0.1.0", "light hammer",
)  # fmt: skip


ORIGIN = Origin(
    fixed_id(169), STEP_RUN, "scope.csv", 32 * "a7", "CH1", "V", 102.5, 0.004, Spread.RECTANGULAR,
    "2026-05-05T08:00:00.000Z", "from the depot",
)  # fmt: skip


SIDE = SideChannel(
    fixed_id(167), STEP_RUN, Quantity.SUPPLY_VOLTAGE, "V", 500.0, -0.02, 0.001, 0.005, 12.0, 0.003, 0.01,
    Spread.RECTANGULAR, -32768, 32767, "2026-05-05T08:00:01.000Z", "divider 11:1", "scope.csv", 32 * "a7",
    "CH2", "at the terminals of the pack", 30,
    "e6ca97d79ce691bd45dfff62d05a7168c3398680f50bceedc9fb75e780fcf577",  # worked out with hashlib, by hand
)  # fmt: skip
SIDE_PIECES = [(0, counts_at(0, 20)), (25, counts_at(25, 10))]
RATING = Rating(fixed_id(168), FULL_RUN, 7, "T. E.", "2026-05-04T08:17:00.000Z", "short handle")

FOUND_PLAN = replace(workshop().plan, id=fixed_id(170), thresholds_nm=(150.0, 200.0))


def since_version_3() -> list[
    Mass | Arm | Plan | Shunt | ShuntReading | Temperature | Authorisation | RingDown | Origin | Remark
]:
    """The records that version 3 brought, or gave more fields, those first that others refer to."""
    return [
        FOUND_MASS,
        FOUND_ARM,
        FOUND_PLAN,
        SHUNT,
        SHUNT_READING,
        TEMPERATURE,
        AUTHORISATION,
        REMARK,
        RING_DOWN,
        ORIGIN,
    ]


def since_version_2() -> list[Claim | Mass | Arm | Calibration | LoadStep | CheckReading]:
    """The records that version 2 brought, those first that others refer to."""
    return [CLAIM, MASS, ARM, CALIBRATION, *STEPS, CHECK]


def expected_pieces() -> dict[str, list[tuple[int, list[int]]]]:
    """The counts of each run, by index of the first sample of each stretch."""
    stretches = {ZERO_RUN: [(0, 300)], FULL_RUN: [(0, 600), (624, 76), (703, 97)], CUT_RUN: [(0, 250)]}
    return {
        run_id: [(first, counts_at(first, count).tolist()) for first, count in parts]
        for run_id, parts in stretches.items()
    }


def _record_zero(archive: Archive, shop: Workshop) -> None:
    run = shop.run(100, kind=RunKind.ZERO, plan_id=None, repeat=None, started_at="2026-05-04T08:14:00.000Z")
    recording = archive.begin(run)
    recording.append(0, counts_at(0, 300))
    recording.finish(samples_total=300, end_reason="as planned", ended_at="2026-05-04T08:14:00.300Z")
    archive.put(ZERO)


def _record_calibration(archive: Archive, shop: Workshop) -> None:
    started = "2026-05-04T08:11:00.000Z"
    run = shop.run(103, kind=RunKind.CALIBRATION, plan_id=None, repeat=None, started_at=started)
    recording = archive.begin(run)
    recording.append(0, counts_at(0, 40))
    recording.finish(samples_total=40, end_reason="as planned", ended_at="2026-05-04T08:11:00.040Z")
    for record in [*since_version_2(), *since_version_3()]:
        archive.put(record)
    archive.put_side(SIDE, SIDE_PIECES)


def _record_full(archive: Archive, shop: Workshop) -> None:
    recording = archive.begin(shop.run(101))
    recording.append(0, counts_at(0, 600))
    recording.gap(GAPS[0])
    recording.append(624, counts_at(624, 76))
    recording.gap(GAPS[1])
    recording.append(703, counts_at(703, 97))
    recording.finish(
        samples_total=800, rate_hz=999.75, onset_index=210, end_reason="as planned", ended_at=ENDED
    )
    archive.put(NOTICE)
    archive.put(RATING)
    archive.put(DECISION)


def _leave_orphan(archive: Archive, shop: Workshop) -> None:
    recording = archive.begin(shop.run(102, repeat=2, started_at="2026-05-04T08:20:00.000Z"))
    recording.append(0, counts_at(0, 290))
    recording.abandon()


def make(target: Path) -> None:
    """Record four runs (calibration, zero, with gaps, cut off) and hand the archive over to ``target``."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "bench.anviltrace"
        with Archive.open(path, create=True) as archive:
            shop = workshop()
            shop.put_into(archive)
            _record_calibration(archive, shop)
            _record_zero(archive, shop)
            _record_full(archive, shop)
            _leave_orphan(archive, shop)
        with Archive.open(path) as archive:
            assert len(archive.all(Run)) == 4
            assert archive.hand_over(target) == []


if __name__ == "__main__":
    make(Path(sys.argv[1]))
