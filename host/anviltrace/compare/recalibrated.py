"""What a later calibration changes in runs that were made before it. Pure: facts and calibrations in.

A run takes the newest calibration that fits, also one made after it. Where an earlier one held when the run
was made, its leading metrics by both are held against each other. The counts are the same in both, so that
noise and zero of the run drop out of the difference, and so do the inputs that both calibrations share (the
arm, gravity, weights used again): what is left is how well the two lines are known against each other.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

from anviltrace.calibration.choose import Candidate
from anviltrace.calibration.history import Change, compare, of_this_kind, valid
from anviltrace.calibration.line import LineFit
from anviltrace.metrics.catalogue import metric
from anviltrace.metrics.facts import RunFacts
from anviltrace.metrics.results import RunResult

LEADING = ("retained_final", "mean_torque", "impulse_mean", "peak_mean")
"""The metrics that are shown by both calibrations, as far as a run has them."""


@dataclass(frozen=True, slots=True)
class Moved:
    """A metric by the calibration that held then (``old``) and by the later one (``new``).

    Both in the unit of its catalogue entry, None where withheld. ``change`` is new over old less one,
    ``expanded`` the half width of its 95 % interval; None where either value is.
    """

    name: str
    old: float | None
    new: float | None
    change: float | None = None
    expanded: float | None = None


@dataclass(frozen=True, slots=True)
class Replaced:
    """A calibration that held when a run was made, and the later one that the run takes instead."""

    later_id: str
    later_taken_at: str
    change: Change


@dataclass(frozen=True, slots=True)
class Recalibrated:
    """A run that takes a calibration made after it; ``replaced`` has one entry for each sign of torque."""

    result: RunResult
    replaced: tuple[Replaced, ...]
    moved: tuple[Moved, ...]


class Recalibration:
    """Looks at runs one after the other; each line is worked out once."""

    def __init__(self, everything: Sequence[Candidate], evaluated: Callable[[RunFacts], RunResult]) -> None:
        """``evaluated`` gives the result of a run from facts without samples."""
        self._everything, self._evaluated = everything, evaluated
        self._by_id = {one.calibration.id: one for one in everything}
        self._fits: dict[str, LineFit] = {}

    def of(self, facts: RunFacts, result: RunResult) -> Recalibrated | None:
        """What it changed in a run, evaluated as ``result``; None where no earlier calibration held.

        ``facts`` need no samples.
        """
        pairs = self._pairs(facts, result)
        if not pairs:
            return None
        lines = dict(facts.lines) | {sign: self._fit(old).line for sign, (_, old) in pairs.items()}
        before = self._evaluated(replace(facts, lines=lines, doubts={}))
        both = list(pairs.values())
        return Recalibrated(
            result=result,
            replaced=tuple(self._replaced(new, old) for new, old in both),
            moved=tuple(
                self._moved(name, before, result, both) for name in LEADING if result.value(name) is not None
            ),
        )

    def _pairs(self, facts: RunFacts, result: RunResult) -> dict[int, tuple[Candidate, Candidate]]:
        """By sign of torque the calibration used and the earlier one that held, where there is one."""
        run_at, found = facts.context.run.started_at, {}
        for sign, line in facts.lines.items():
            if isinstance(line, str) or line.calibration_id not in result.calibration_ids:
                continue
            used = self._by_id.get(line.calibration_id)
            if used is not None and used.calibration.taken_at > run_at:
                earlier = self._held_at(used, run_at)
                if earlier is not None:
                    found[sign] = used, earlier
        return found

    def _held_at(self, used: Candidate, run_at: str) -> Candidate | None:
        """The newest calibration of the same kind made before the run."""
        before = [one for one in of_this_kind(self._everything, used) if one.calibration.taken_at <= run_at]
        return next((one for one in reversed(before) if valid(one)), None)

    def _fit(self, one: Candidate) -> LineFit:
        key = one.calibration.id
        if key not in self._fits:
            self._fits[key] = one.fit()
        return self._fits[key]

    def _change(self, new: Candidate, old: Candidate, torque_nm: float | None = None) -> Change:
        return compare(new, self._fit(new), old, self._fit(old), torque_nm)

    def _replaced(self, new: Candidate, old: Candidate) -> Replaced:
        return Replaced(new.calibration.id, new.calibration.taken_at, self._change(new, old))

    def _moved(
        self, name: str, before: RunResult, after: RunResult, both: Sequence[tuple[Candidate, Candidate]]
    ) -> Moved:
        """Where torque of both signs is in a metric, the less certain of the two differences counts."""
        old, new = (_number(result, name) for result in (before, after))
        if old is None or new is None or old == 0.0:
            return Moved(name, old, new)
        at_nm = abs(old) if metric(name).unit == "N·m" else None
        expanded = max(self._change(*pair, at_nm).expanded for pair in both)
        return Moved(name, old, new, new / old - 1.0, expanded)


def _number(result: RunResult, name: str) -> float | None:
    found = result.value(name)
    return None if found is None else found.value
