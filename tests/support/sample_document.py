"""An archive with one calibration in it, taken on paper but recorded as a board would."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np
from hungweights import Nature, arm, calibration, ladder, load_steps, masses, straight
from workshop import Workshop, workshop

from anviltrace.archive import Archive
from anviltrace.calibration.stability import look_at
from anviltrace.records import Calibration, LoadStep, Mass, RunKind

HOSTILE = "<script>document.title='taken'</script>"
SAMPLES = 400
WINDOW = 250
RATE_HZ = 1000.0


def bowed(torque_nm: float) -> float:
    """A transducer whose falling and rising readings differ elsewhere; here it bends a little."""
    return straight(torque_nm) + 0.002 * torque_nm**2


def make_archive(path: Path, sign: int = 1, *, hostile: bool = False, **changes: object) -> Calibration:
    """Record a calibration with five loads, up and down; ``changes`` are made to its record."""
    shop = _hostile(workshop(RATE_HZ)) if hostile else workshop(RATE_HZ)
    hung = masses()
    if hostile:
        hung = (replace(hung[0], name=HOSTILE, note=HOSTILE), *hung[1:])
        changes |= {"note": HOSTILE, "gravity_source": HOSTILE}
    made, lever = calibration(sign, **changes), arm(angle_within_deg=1.0)
    nature = Nature.as_stated(hung, lever, made)
    steps = [_with_play(step, hung) for step in load_steps(ladder(hung), nature, bowed, sign)]
    with Archive.open(path, create=True) as archive:
        shop.put_into(archive)
        for record in (*hung, lever, made):
            archive.put(record)
        for step in steps:
            archive.put(_recorded(archive, shop, step))
    return made


def _hostile(shop: Workshop) -> Workshop:
    return replace(
        shop,
        rig=replace(shop.rig, name=f"stand {HOSTILE}", note=HOSTILE),
        session=replace(shop.session, operator=HOSTILE, note=HOSTILE),
    )


def _with_play(step: LoadStep, hung: Sequence[Mass]) -> LoadStep:
    """Falling readings stay a little behind, most in the middle."""
    share = len(step.mass_ids) / len(hung)
    behind = 120.0 * share * (1.0 - share) if step.branch == "down" else 0.0
    return replace(step, mean_counts=step.mean_counts + behind)


def _recorded(archive: Archive, shop: Workshop, step: LoadStep) -> LoadStep:
    """The step as it is read from counts that were recorded for it, somewhat noisy."""
    number = int(step.run_id[-4:], 16)
    noise = np.random.default_rng(step.number).normal(0.0, 4.0, SAMPLES)
    counts = np.rint(step.mean_counts + noise).astype(np.int32)
    run = shop.run(
        number, kind=RunKind.CALIBRATION, plan_id=None, tool_id=None, supply_id=None, fitting_id=None,
        repeat=None, supply_state="", started_at=step.taken_at,
    )  # fmt: skip
    recording = archive.begin(run)
    recording.append(0, counts)
    recording.finish(samples_total=SAMPLES, end_reason="steady", ended_at=step.taken_at, rate_hz=RATE_HZ)
    window = look_at(counts[-WINDOW:])
    return replace(
        step,
        mean_counts=window.mean_counts,
        sd_counts=window.sd_counts,
        drift_counts=window.drift_counts,
        samples=WINDOW,
    )
