"""A report's material made by hand: invented runs with blows, of which some withhold what is not known."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from findings import claim, loosening, result, torque
from workshop import fixed_id, workshop

from anviltrace.calibration.line import fit_line
from anviltrace.metrics.results import BlowTable, RunResult, Value
from anviltrace.publish.curves import Curve
from anviltrace.publish.material import CalibrationUsed, Material
from anviltrace.records import Arm, Calibration, LoadStep, Mass, Spread, Supply
from anviltrace.units import TorqueUnit

RATE_HZ = 7500.0
BEFORE_S = 1.0
WIDTH_S = 0.0012
HOSTILE = "<script>document.title='taken'</script>"


def blow_times(drive_s: float, rng: np.random.Generator, rate: float = 38.0) -> np.ndarray:
    """Starts of blows with a little jitter, in seconds after time zero."""
    times = np.arange(0.0, drive_s, 1.0 / rate)
    return times + np.concatenate([[0.0], rng.normal(0.0, 5e-4, len(times) - 1)])


def signal(
    starts: np.ndarray, drive_s: float, level_nm: float, rng: np.random.Generator, way: float = 1.0
) -> np.ndarray:
    """Torque along the rotation: a level that climbs with the blows, half-sines with a ring, and noise."""
    n = round((BEFORE_S + drive_s + 1.0) * RATE_HZ)
    time = np.arange(n) / RATE_HZ - BEFORE_S
    level = way * level_nm * (1.0 - np.exp(-np.clip(time, 0.0, drive_s) / (0.3 * drive_s)))
    found = level + rng.normal(0.0, 0.25, n)
    for start in starts:
        first = int(np.searchsorted(time, start))
        t = time[first : first + 150] - start
        pulse = np.where(t < WIDTH_S, np.sin(np.pi * t / WIDTH_S), 0.0)
        ring = np.where(t >= WIDTH_S, -0.2 * np.sin(2 * np.pi * 900 * (t - WIDTH_S)), 0.0)
        found[first : first + 150] += 1.4 * level_nm * pulse + level_nm * ring * np.exp(-220.0 * t)
    return found


def one_run(
    number: int, level_nm: float, drive_s: float = 4.0, *, gap: bool = False, **changes: object
) -> tuple[RunResult, Curve]:
    """A run and its curve."""
    rng = np.random.default_rng(number)
    starts = blow_times(drive_s, rng)
    values = signal(starts, drive_s, level_nm, rng)
    if gap:
        values[20_000:20_400] = np.nan
    made = result(number, *_values(level_nm * (1 + 0.01 * rng.normal())), **changes)
    apex = starts + WIDTH_S / 2
    index = np.round((apex + BEFORE_S) * RATE_HZ).astype(int)
    peaks = values[np.minimum(index, len(values) - 1)]
    table = BlowTable(
        start_s=starts,
        apex_s=apex,
        peak_nm=peaks,
        net_peak_nm=peaks,
        impulse_nms=0.001 * peaks,
        level_after_nm=peaks / 2,
        width_s=np.full(len(starts), WIDTH_S * 2 / 3),
        double=np.zeros(len(starts), dtype=bool),
    )
    made = replace(
        made,
        blows=table,
        time_zero="first blow",
        time_zero_s=BEFORE_S,
        calibration_ids=(fixed_id(800),),
        context=replace(made.context, run=replace(made.context.run, samples=len(values), rate_hz=RATE_HZ)),
    )
    return made, Curve(made.context.run.id, values, RATE_HZ, -BEFORE_S, "N·m")


def _values(level_nm: float) -> Sequence[Value]:
    return (
        torque(level_nm),
        torque(0.6 * level_nm, "retained_at", at_s=0.5),
        torque(0.9 * level_nm, "retained_at", at_s=2.0),
        torque(0.4 * level_nm, "mean_torque"),
        torque(2.4 * level_nm, "maximum_torque", under_read=0.031 * level_nm),
        torque(0.0011 * level_nm, "impulse_mean", expanded=0.0021, common=0.0006),
        Value("blow_rate", 38.0, 0.06, dof=40.0),
        Value("blow_count", 150.0, 0.0),
        Value(
            "peak_mean",
            None,
            withheld="the rig rings at 900 Hz, and fn·w is about 1.1: below 1.5 a peak is the rig's",
        ),
    )


def calibration() -> CalibrationUsed:
    """A calibration with four weights, up and down."""
    facts = Calibration(
        fixed_id(800), fixed_id(8), fixed_id(4), fixed_id(801), 1, "2026-05-04T07:30:00.000Z",
        9.81, 0.0005, "latitude and height", 1.19, 0.02,
    )  # fmt: skip
    masses = [Mass(fixed_id(810 + i), f"disc {i}", 10.0, 0.002, Spread.RECTANGULAR) for i in range(4)]
    arm = Arm(fixed_id(801), "steel arm", 0.5, 0.0003, Spread.RECTANGULAR)
    order = [
        ("zero", 0),
        ("up", 1),
        ("up", 2),
        ("up", 3),
        ("up", 4),
        ("down", 3),
        ("down", 2),
        ("down", 1),
        ("zero", 0),
    ]
    steps = [
        LoadStep(
            fixed_id(820 + i),
            facts.id,
            i,
            1,
            1,
            branch,
            fixed_id(840 + i),
            tuple(mass.id for mass in masses[:hung]),
            0.0,
            1000.0 + 49.05 * hung * 800.0 + (-1) ** i * 6.0,
            20.0,
            1.0,
            7500,
            "2026-05-04T07:31:00.000Z",
        )
        for i, (branch, hung) in enumerate(order)
    ]
    fit = fit_line(steps, facts, {mass.id: mass for mass in masses}, arm)
    return CalibrationUsed(facts, arm, tuple(masses), fit)


def material(
    repeats: int = 3, drive_s: float = 4.0, *, hostile: bool = False, unit: TorqueUnit = TorqueUnit.NM
) -> Material:
    """A tool on a fresh and a tired pack, in both directions, and another tool; two runs left out."""
    shop = workshop()
    name = f"Skerrow {HOSTILE}" if hostile else "Skerrow 12"
    other = replace(shop.tool, id=fixed_id(52), name=name, price=129.0, mass_kg=1.3, maker="Invented")
    mains = Supply(fixed_id(62), "mains 18 V", "mains adapter")
    conditions: list[tuple[float, dict[str, object]]] = [
        (140.0, {"supply_state": "fresh"}),
        (110.0, {"supply_state": "tired"}),
        (125.0, {"supply": mains, "supply_state": ""}),
        (90.0, {"tool": other}),
        (150.0, {"plan": loosening()}),
    ]
    made = [
        one_run(10 * place + repeat, level_nm, drive_s, gap=(place, repeat) == (0, 1), **changes)
        for place, (level_nm, changes) in enumerate(conditions)
        for repeat in range(repeats if place < 4 else 1)
    ]
    left_out = result(58, torque(1.0), verdict="discard", supply_state="fresh")
    return Material(
        title=f"Fishplate bolts {HOSTILE}" if hostile else "Fishplate bolts, two wrenches",
        results=(*(found for found, _ in made), left_out),
        curves={curve.run_id: curve for _, curve in made},
        claims=(
            claim(value=420.0),
            claim("blow rate", 40.0, id=fixed_id(901)),
            claim("loosening torque", 500.0, id=fixed_id(902)),
        ),
        calibrations=(calibration(),),
        unit=unit,
    )
