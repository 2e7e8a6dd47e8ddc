"""Results that were worked out before: found again when nothing they were made from has changed.

What a result was made from: the seals of the run and its zeros, everything else the evaluation takes in
(plan, rig, lines, filters, doubts, decisions), and the code that computes. A run without a seal, one that is
being recorded, is not kept.
"""

from __future__ import annotations

import dataclasses
import hashlib
import json
import zlib
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import scipy

import anviltrace
from anviltrace.archive.workedout import WorkedOut
from anviltrace.metrics.facts import RunFacts
from anviltrace.metrics.plain import from_plain, to_plain
from anviltrace.metrics.results import RunContext, RunResult

WHAT = "metrics"
_COMPUTE = ("metrics", "trace", "calibration", "capture")
"""Packages of ours whose code decides what comes out."""


@dataclasses.dataclass(frozen=True, slots=True)
class Outline:
    """A run without its samples: enough to know whether its result was worked out before."""

    facts: RunFacts
    inputs: str

    @property
    def run_id(self) -> str:
        """The run's id."""
        return self.facts.context.run.id


def outline(facts: RunFacts, seals: tuple[str | None, ...]) -> Outline | None:
    """What the result of a run is made from; None where a seal lacks. ``facts`` are without samples."""
    if None in seals:
        return None
    made_from = [to_plain(facts), list(seals), code_hash()]
    return Outline(facts, hashlib.sha256(json.dumps(made_from, sort_keys=True).encode()).hexdigest())


def recall(store: WorkedOut, known: Outline) -> RunResult | None:
    """The result that was kept under the same inputs, or None."""
    kept = store.find(known.run_id, WHAT, known.inputs)
    if kept is None:
        return None
    try:
        data = json.loads(zlib.decompress(kept))
        return RunResult(context=known.facts.context, **_fields(data))
    except (zlib.error, ValueError, KeyError, TypeError):
        return None  # damaged: worked out anew


def remember(store: WorkedOut, known: Outline, packed: bytes) -> None:
    """Keep a result as :func:`pack` made it; committed when this returns."""
    store.keep(known.run_id, WHAT, known.inputs, code_hash(), packed)


def pack(result: RunResult) -> bytes:
    """A result as it is kept: all but what the archive has anyway."""
    data = {name: to_plain(getattr(result, name)) for name in _hints()}
    return zlib.compress(json.dumps(data).encode(), 1)


def _fields(data: dict[str, Any]) -> dict[str, Any]:
    return {name: from_plain(hint, data[name]) for name, hint in _hints().items()}


@cache
def _hints() -> dict[str, Any]:
    """The fields of a result that are kept: all but what the archive has anyway."""
    from typing import get_type_hints

    hints = get_type_hints(RunResult)
    names = [field.name for field in dataclasses.fields(RunResult)]
    return {name: hints[name] for name in names if hints[name] is not RunContext}


@cache
def code_hash() -> str:
    """Changes with our code that computes, and with the versions of the libraries it computes with."""
    whole = hashlib.sha256(f"{np.__version__} {scipy.__version__}".encode())
    top = Path(anviltrace.__file__).parent
    for package in _COMPUTE:
        for file in sorted((top / package).glob("*.py")):
            whole.update(file.read_bytes())
    return whole.hexdigest()
