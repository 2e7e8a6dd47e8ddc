"""Facts of a run made from a train of blows as arrays, on a calibrated bench: for metrics and their flags."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
from blow_train import Train, make
from simulated import COUNTS_PER_NM, bench, stated, struck

from anviltrace.metrics.facts import RunFacts, zero_reading
from anviltrace.records import Duty, RigKind, Rotation, Spread, Start

NOISE_NM = 0.05
_KINDS = {"through": RigKind.THROUGH, "tightening": RigKind.HELD, "loosening": RigKind.HELD}


@cache
def _bench() -> RunFacts:
    known = stated(Spread.NORMAL, mass_u=2e-4, length_u=3e-4)
    return bench(known, struck(3), np.random.default_rng(5))


def facts_of(torque_nm: np.ndarray, rate_hz: float, kind: RigKind = RigKind.HELD, **plan: object) -> RunFacts:
    """Facts of a record in N·m, clockwise positive; white noise is added. ``plan`` changes the plan.

    The line is that of a bench calibrated with weights up to 322 N·m; the converter has no filter.
    """
    facts, random = _bench(), np.random.default_rng(11)
    noisy = torque_nm + random.normal(0.0, NOISE_NM, torque_nm.size)
    zeros = [
        np.rint(random.normal(0.0, COUNTS_PER_NM * NOISE_NM, 7500)).astype(np.int32)
        for _ in ("before", "after")
    ]
    context = facts.context
    assert context.plan is not None
    context = replace(
        context,
        rig=replace(context.rig, kind=kind),
        run=replace(context.run, rate_hz=rate_hz, onset_index=None, release_index=None),
        settings=replace(context.settings, rate_hz=rate_hz),
        plan=replace(context.plan, **plan),  # type: ignore[arg-type]
    )
    before, after = (zero_reading(zero, rate_hz) for zero in zeros)
    counts = np.rint(COUNTS_PER_NM * noisy).astype(np.int32)
    return replace(
        facts, context=context, pieces=((0, counts),), zero_before=before, zero_after=after, boxcars_s=()
    )


def struck_facts(train: Train, seed: int = 1, **plan: object) -> RunFacts:
    """Facts of a train of blows, on the kind of rig it is made for; when loosening the plan is too."""
    if train.kind == "loosening":
        plan = {"rotation": Rotation.CCW, "duty": Duty.LOOSENING, "start": Start.PRESET, **plan}
    made = make(train, np.random.default_rng(seed))
    sign = -1.0 if train.kind == "loosening" else 1.0
    return facts_of(sign * made.torque_nm, made.rate_hz, _KINDS[train.kind], **plan)


def with_release(facts: RunFacts, after_s: float) -> RunFacts:
    """The same run whose signal to release came so long after its first sample."""
    assert facts.context.run.rate_hz is not None
    index = round(after_s * facts.context.run.rate_hz)
    return replace(facts, context=replace(facts.context, run=replace(facts.context.run, release_index=index)))


def with_counts(facts: RunFacts, counts: np.ndarray) -> RunFacts:
    """The same run with other counts."""
    return replace(facts, pieces=((0, np.rint(counts).astype(np.int32)),))
