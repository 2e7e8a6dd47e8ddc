"""Takes a reading of a calibration out of its line, or back into it, for a person's reason."""

from __future__ import annotations

from dataclasses import dataclass, replace

from anviltrace.archive.archive import Archive
from anviltrace.calibration.choose import Candidate
from anviltrace.calibration.line import Line
from anviltrace.capture.lines import candidate
from anviltrace.errors import CalibrationError
from anviltrace.records import Calibration, Decision, LoadStep, Mass, new_id


@dataclass(frozen=True, slots=True)
class Changed:
    """What a decision about a reading did; ``before`` is None where there was no line."""

    step: LoadStep
    decision: Decision
    before: Line | None
    after: Line

    @property
    def slope_change(self) -> float | None:
        """By how much of it the slope changed."""
        if self.before is None:
            return None
        return self.after.counts_per_nm / self.before.counts_per_nm - 1.0


def discard_reading(
    archive: Archive, calibration: Calibration, number: int, reason: str, by: str = ""
) -> Changed:
    """Leave reading ``number`` out of the line from now on; its counts stay.

    Raises CalibrationError when there is no such reading, it is left out already, or without it there is no
    line.
    """
    one = candidate(archive, calibration)
    step = _reading(archive, calibration, number)
    if step not in one.steps:
        raise CalibrationError(
            f"reading {number} of calibration {calibration.id[:8]} is left out already: --take-back undoes it"
        )
    without = replace(one, steps=tuple(each for each in one.steps if each != step))
    return _decide(archive, one, without, step, Decision(new_id(), step.run_id, "discard", reason, by=by))


def take_back(archive: Archive, calibration: Calibration, number: int, reason: str, by: str = "") -> Changed:
    """Take reading ``number`` into the line again.

    Raises CalibrationError when there is no such reading, it is not left out, or there is no line with it.
    """
    one = candidate(archive, calibration)
    step = _reading(archive, calibration, number)
    if step in one.steps:
        raise CalibrationError(
            f"reading {number} of calibration {calibration.id[:8]} is not left out: nothing to take back"
        )
    ordered = sorted((*one.steps, step), key=lambda each: each.number)
    with_it = replace(one, steps=tuple(ordered), masses={**one.masses, **_masses(archive, step)})
    return _decide(archive, one, with_it, step, Decision(new_id(), step.run_id, "keep", reason, by=by))


def _reading(archive: Archive, calibration: Calibration, number: int) -> LoadStep:
    steps = archive.all(LoadStep, calibration_id=calibration.id)
    for step in steps:
        if step.number == number:
            return step
    there = f"it has {', '.join(str(step.number) for step in steps)}" if steps else "it has none"
    raise CalibrationError(f"calibration {calibration.id[:8]} has no reading {number}: {there}")


def _masses(archive: Archive, step: LoadStep) -> dict[str, Mass]:
    return {mass_id: archive.get(Mass, mass_id) for mass_id in step.mass_ids}


def _decide(
    archive: Archive, before: Candidate, after: Candidate, step: LoadStep, decision: Decision
) -> Changed:
    """Keep the decision, unless it left no line."""
    how = "without" if decision.verdict == "discard" else "with"
    try:
        line = after.fit().line
    except CalibrationError as error:
        raise CalibrationError(f"not done: {how} reading {step.number} there is no line: {error}") from error
    try:
        old = before.fit().line
    except CalibrationError:
        old = None
    archive.put(decision)
    return Changed(step, decision, old, line)
